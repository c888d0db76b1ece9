//! `clothline open`: the page in which a set is made, served to this computer only.
//!
//! A small HTTP server of its own: a thread a connection, bounded in number, every request bounded in size and time. The
//! page's requests go to the library's [`Desk`](clothline::desk::Desk); files are this side's work.

mod browser;
mod folder;
mod guard;
mod http;
mod office;
mod pages;
mod routes;
mod tracing;

use std::io::{self, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use clothline::{Refusal, RefusalKind};

use super::args::OpenArgs;
use guard::Guard;
use office::Office;

/// Connections served at once; more are told to come back.
const MOST_CONNECTIONS: usize = 96;

/// A connection on which nothing comes or goes for so long is closed.
const SILENCE: Duration = Duration::from_secs(20);

/// Runs the command until Ctrl-C.
///
/// # Errors
/// If the folder cannot be used, or the port cannot be had.
pub fn run(args: &OpenArgs) -> Result<(), Refusal> {
    let office = Arc::new(Office::open(&args.set)?);
    let listener = listen(args.port)?;
    let port = listener.local_addr().map_err(|e| no_port(args.port, &e))?.port();
    let guard = Arc::new(Guard::new(port)?);
    end_cleanly(&office)?;
    tracing::start(&office);
    let address = guard.address();
    tell(&format!("clothline: {} is open at\n  {address}\nCtrl-C ends it.\n", args.set.display()));
    if !args.no_browser && !browser::open(&address) {
        tell("No browser could be opened: open this address yourself.\n");
    }
    serve(&listener, &office, &guard);
    Ok(())
}

/// A terminal that was closed must not end the page: what cannot be said is left unsaid.
fn tell(words: &str) {
    let mut out = io::stdout();
    drop(out.write_all(words.as_bytes()).and_then(|()| out.flush()));
}

fn listen(port: u16) -> Result<TcpListener, Refusal> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, port)).map_err(|e| no_port(port, &e))
}

fn no_port(port: u16, error: &io::Error) -> Refusal {
    let advice = "leave --port out, and a free one is taken; or end the program that uses it";
    let seen = match error.kind() {
        io::ErrorKind::AddrInUse => format!("port {port} is taken by another program"),
        io::ErrorKind::PermissionDenied => format!("port {port} may not be used (ports below 1024 are reserved)"),
        _ => format!("port {port} cannot be used ({error})"),
    };
    Refusal::new(RefusalKind::File, seen, advice)
}

/// On Ctrl-C: whatever is being saved is finished, then the program ends.
fn end_cleanly(office: &Arc<Office>) -> Result<(), Refusal> {
    let office = Arc::clone(office);
    ctrlc::set_handler(move || {
        let _saving_done = office.desk();
        eprintln!("\nclothline: closed; everything is saved");
        std::process::exit(0);
    })
    .map_err(|e| Refusal::new(RefusalKind::File, format!("Ctrl-C cannot be caught ({e})"), "report this as a fault"))
}

fn serve(listener: &TcpListener, office: &Arc<Office>, guard: &Arc<Guard>) {
    let open = Arc::new(AtomicUsize::new(0));
    for stream in listener.incoming() {
        let Ok(stream) = stream else {
            // Out of file handles, perhaps: wait until some are given back.
            std::thread::sleep(Duration::from_millis(50));
            continue;
        };
        let ready = stream
            .set_read_timeout(Some(SILENCE))
            .and_then(|()| stream.set_write_timeout(Some(SILENCE)))
            .and_then(|()| stream.set_nodelay(true));
        if ready.is_err() {
            continue;
        }
        if open.fetch_add(1, Ordering::SeqCst) >= MOST_CONNECTIONS {
            open.fetch_sub(1, Ordering::SeqCst);
            http::turn_away(stream);
            continue;
        }
        let (office, guard, held) = (Arc::clone(office), Arc::clone(guard), Held(Arc::clone(&open)));
        let started = std::thread::Builder::new().name("page".into()).spawn(move || {
            let _held = held;
            converse(&stream, &office, &guard);
        });
        // Without a thread the connection is dropped, and with it its place.
        drop(started);
    }
}

/// A connection's place among [`MOST_CONNECTIONS`], given back even when its thread panics.
struct Held(Arc<AtomicUsize>);

impl Drop for Held {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Requests of one connection, one after another, until it is closed or says something that cannot be followed.
fn converse(stream: &TcpStream, office: &Office, guard: &Guard) {
    let mut connection = http::Connection::new(stream);
    loop {
        let request = match connection.next() {
            Ok(Some(request)) => request,
            Ok(None) => return,
            Err(answer) => {
                connection.answer(&answer, false);
                return;
            }
        };
        let answer = routes::answer(&request, &mut connection, office, guard);
        let goes_on = connection.body_read() && request.keeps_open();
        if !connection.answer(&answer, goes_on) || !goes_on {
            connection.close();
            return;
        }
    }
}

//! What is at which address.

use clothline::desk::Request as Ask;
use clothline::photo::Photo;
use clothline::{Refusal, RefusalKind};

use super::guard::Guard;
use super::http::{Answer, Connection, Request};
use super::office::Office;
use super::pages;

/// The largest photo brought in.
const MOST_PHOTO: u64 = 200 << 20;
/// The largest request of the page in words and numbers.
const MOST_ASKED: u64 = 8 << 20;

/// Answers one request.
pub fn answer(request: &Request, connection: &mut Connection<'_>, office: &Office, guard: &Guard) -> Answer {
    if let Some(stopped) = guard.stops(request) {
        return stopped;
    }
    match (request.method.as_str(), request.path.as_str()) {
        ("POST", "/ask") => ask(request, connection, office),
        ("PUT", "/photo") => receive(request, connection, office),
        ("GET", "/picture") => {
            let piece = request.query("piece").unwrap_or_default();
            told(office.folder.picture(&piece).map(|bytes| cached(Answer::ok("image/jpeg", bytes))))
        }
        ("GET", "/photo") => {
            let name = request.query("name").unwrap_or_default();
            told(office.folder.photo(&name).map(|bytes| Answer::ok(picture_kind(&bytes), bytes)))
        }
        ("GET", path) if path.starts_with("/take/") => take(&path["/take/".len()..], request, office),
        ("GET", path) => match pages::file(path) {
            Some((kind, bytes)) => Answer::ok(kind, bytes),
            None => Answer::refused(404, "there is nothing at this address"),
        },
        _ => Answer::refused(405, "this cannot be done here"),
    }
}

/// What a browser is told of a photo's bytes.
fn picture_kind(bytes: &[u8]) -> &'static str {
    match bytes {
        [0xFF, 0xD8, ..] => "image/jpeg",
        [0x89, b'P', ..] => "image/png",
        [b'R', b'I', b'F', b'F', ..] => "image/webp",
        _ => "image/tiff",
    }
}

/// A picture whose address changes when it does.
fn cached(answer: Answer) -> Answer {
    answer.with("Cache-Control", "private, max-age=31536000, immutable")
}

fn told(answer: Result<Answer, Refusal>) -> Answer {
    answer.unwrap_or_else(|refusal| {
        let status = match refusal.kind {
            RefusalKind::File => 404,
            RefusalKind::BadRequest => 400,
            _ => 422,
        };
        Answer::json(status, &serde_json::json!({ "refused": refusal }))
    })
}

fn ask(request: &Request, connection: &mut Connection<'_>, office: &Office) -> Answer {
    // A form of another site cannot send this kind without asking first.
    if request.header("content-type").is_none_or(|kind| !kind.starts_with("application/json")) {
        return Answer::refused(415, "only JSON is understood here");
    }
    let mut body = Vec::new();
    if let Err(answer) = connection.receive(MOST_ASKED, &mut body) {
        return answer;
    }
    let asked: Ask = match serde_json::from_slice(&body) {
        Ok(asked) => asked,
        Err(e) => return Answer::refused(400, &format!("this was not understood: {e}")),
    };
    told(office.ask(asked).map(|answer| Answer::json(200, &answer)))
}

fn receive(request: &Request, connection: &mut Connection<'_>, office: &Office) -> Answer {
    let name = request.query("name").unwrap_or_default();
    let mut incoming = match office.folder.receive(&name) {
        Ok(incoming) => incoming,
        Err(refusal) => return told(Err(refusal)),
    };
    if let Err(answer) = connection.receive(MOST_PHOTO, &mut incoming.file) {
        return answer;
    }
    let unreadable = incoming.bytes().map_or_else(|e| Some(kept_badly(&e)), |bytes| Photo::probe(&bytes).err());
    if let Some(refusal) = unreadable {
        return told(Err(refusal));
    }
    match incoming.keep() {
        Ok(name) => Answer::json(200, &serde_json::json!({ "photo": name })),
        Err(e) => told(Err(kept_badly(&e))),
    }
}

fn kept_badly(error: &std::io::Error) -> Refusal {
    let seen = format!("the photo could not be kept ({error})");
    Refusal::new(RefusalKind::File, seen, "see that there is room on the disk and the folder may be written")
}

fn take(file: &str, request: &Request, office: &Office) -> Answer {
    let kind = match file.rsplit('.').next() {
        Some("pdf") => "application/pdf",
        Some("svg") => "image/svg+xml",
        Some("dxf") => "application/dxf",
        Some("html") => "text/html; charset=utf-8",
        _ => return Answer::refused(404, "there is nothing at this address"),
    };
    let made = office.take(file, request.query("variation").as_deref());
    // Shown in the browser it may hold its own pictures and style, and nothing else: no script, nothing fetched.
    let how = if request.query("show").is_some() { "inline" } else { "attachment" };
    let name = format!("{how}; filename=\"{}\"", file.replace(['"', '\\', '/'], "_"));
    told(
        made.map(|bytes| {
            Answer::ok(kind, bytes).with("Content-Disposition", name).with("Content-Security-Policy", ALONE)
        }),
    )
}

/// What a file that is shown by itself may do.
const ALONE: &str = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:; sandbox; \
                     base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

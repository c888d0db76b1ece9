//! The command line: parse, run, report, pick the exit status.

mod cli;

use std::process::ExitCode;

use clap::Parser;
use cli::args::{Cli, Command};
use cli::say;
use clothline::{Refusal, RefusalKind};

/// Refused: the reason and what to do were said.
const REFUSED: u8 = 3;

/// A file could not be read or written.
const FILE_TROUBLE: u8 = 4;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let done = match &cli.command {
        Command::Trace(args) => cli::trace::run(args),
        Command::Check(args) => match cli::check::run(args) {
            // The refusal is in what was printed: only the exit status is left to give.
            Ok(Some(refusal)) => return ExitCode::from(status(&refusal)),
            Ok(None) => Ok(()),
            Err(refusal) => Err(refusal),
        },
        Command::Calibrate(args) => cli::calibrate::run(args),
        Command::Seam(args) => cli::seam::run(args),
        Command::Targets(args) => cli::targets::run(args),
        Command::Make(args) => cli::make::run(args),
        Command::Sheets(args) => cli::sheets::run(args),
        Command::Lay(args) => cli::lay::run(args),
        Command::Open(args) => cli::open::run(args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(refusal) => {
            tell(&refusal, cli.command.wants_json());
            ExitCode::from(status(&refusal))
        }
    }
}

fn status(refusal: &Refusal) -> u8 {
    match refusal.kind {
        RefusalKind::File => FILE_TROUBLE,
        RefusalKind::BadRequest => 2,
        _ => REFUSED,
    }
}

fn tell(refusal: &Refusal, json: bool) {
    if json {
        say!("{:#}", serde_json::json!({ "refused": refusal }));
    }
    eprintln!("clothline: {}\n  what to do: {}", refusal.seen, refusal.advice);
}

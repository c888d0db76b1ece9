//! Opening the person's browser.

use std::process::{Command, Stdio};

/// Opens an address in the browser the person uses; false if that cannot be done.
pub fn open(address: &str) -> bool {
    let (program, before): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(target_os = "windows") {
        ("rundll32", &["url.dll,FileProtocolHandler"])
    } else {
        ("xdg-open", &[])
    };
    let quiet = || Stdio::null();
    Command::new(program).args(before).arg(address).stdin(quiet()).stdout(quiet()).stderr(quiet()).spawn().is_ok()
}

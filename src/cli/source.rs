//! Finished pieces from files and folders.

use std::path::{Path, PathBuf};

use clothline::pattern_file::{self, Pattern};
use clothline::{Refusal, RefusalKind};

use super::files;

/// Pieces of all files and folders, in order; `only` keeps those named.
///
/// # Errors
/// A file that cannot be read, or a name that no piece has.
pub fn pattern(paths: &[PathBuf], only: &[String]) -> Result<Pattern, Refusal> {
    let mut all = Pattern::default();
    for path in paths {
        let one = read(path)?;
        all.pieces.extend(one.pieces);
        all.warnings.extend(one.warnings);
    }
    for name in only {
        named(&all, name)?;
    }
    if !only.is_empty() {
        all.pieces.retain(|p| only.iter().any(|n| n == &p.name));
    }
    Ok(all)
}

/// Index of the piece of a name.
///
/// # Errors
/// If there is none, with the names there are.
pub fn named(pattern: &Pattern, name: &str) -> Result<usize, Refusal> {
    pattern.pieces.iter().position(|p| p.name == name).ok_or_else(|| {
        let names: Vec<&str> = pattern.pieces.iter().map(|p| p.name.as_str()).collect();
        Refusal::new(
            RefusalKind::BadRequest,
            format!("there is no piece called \"{name}\""),
            format!("the pieces are {}", names.join(", ")),
        )
    })
}

fn read(path: &Path) -> Result<Pattern, Refusal> {
    let file = if path.is_dir() { within(path)? } else { path.to_path_buf() };
    let bytes = files::read(&file)?;
    let pattern = pattern_file::read(&String::from_utf8_lossy(&bytes))
        .map_err(|refusal| Refusal { seen: format!("{}: {}", file.display(), refusal.seen), ..refusal })?;
    if pattern.pieces.is_empty() {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("{} holds no pieces", file.display()),
            "make a piece first (clothline trace, clothline seam)",
        ));
    }
    Ok(pattern)
}

/// The pattern file of a folder: a set's, or that of one piece.
fn within(folder: &Path) -> Result<PathBuf, Refusal> {
    ["out/pattern.json", "pattern.json"].iter().map(|name| folder.join(name)).find(|p| p.is_file()).ok_or_else(|| {
        Refusal::new(
            RefusalKind::File,
            format!("there is no pattern.json in {}", folder.display()),
            "make the set first (clothline make SET), or give a pattern.json",
        )
    })
}

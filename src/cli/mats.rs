//! Where mat descriptions lie on disk.

use std::path::{Path, PathBuf};

use clothline::mats::{MatDescription, Pitch};
use clothline::{Refusal, RefusalKind};

use super::args::TraceArgs;

/// Names the folder that holds `mats/`, where it is not `calibration` below the current folder.
const FOLDER_VARIABLE: &str = "CLOTHLINE_CALIBRATION";

/// The pitch asked for: typed, measured on the spot, or from a mat description; none where other references are named.
///
/// # Errors
/// If a mat description is not there or cannot be read, or a measurement makes no sense.
pub fn pitch(args: &TraceArgs) -> Result<Option<Pitch>, Refusal> {
    let mut pitch = match (&args.mat, args.grid, args.measured) {
        (Some(name), _, _) => load(name)?.pitch()?,
        (None, Some(grid), Some((squares, length))) => Pitch::measured(grid, squares, length)?,
        (None, Some(grid), None) => Pitch::nominal(grid),
        (None, None, _) if args.references.all().any() => return Ok(None),
        (None, None, _) => {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                "nothing of known size was named",
                "say what lies in the photo: a mat's lines (--grid 1in, or --mat NAME once measured), printed cards \
                 (--card 80mm), a ruler (--ruler 18in), a sheet of paper (--sheet a4) or a bank card (--id-card)",
            ));
        }
    };
    if let Some(percent) = args.mat_doubt {
        pitch.doubt = percent / 100.0;
    }
    Ok(Some(pitch))
}

fn load(name: &str) -> Result<MatDescription, Refusal> {
    let path = find(name)?;
    let bytes = super::files::read(&path)?;
    let text = String::from_utf8_lossy(&bytes);
    MatDescription::parse(&text).map_err(|r| Refusal { seen: format!("{}: {}", path.display(), r.seen), ..r })
}

fn find(name: &str) -> Result<PathBuf, Refusal> {
    let file = format!("mats/{name}.json");
    std::iter::once(PathBuf::from(name))
        .chain(calibration_folders().into_iter().map(|folder| folder.join(&file)))
        .find(|path| path.is_file())
        .ok_or_else(|| {
            Refusal::new(
                RefusalKind::File,
                format!("there is no mat description called {name}"),
                format!("write calibration/{file} (calibration/README.md says how) or give the file's own path"),
            )
        })
}

/// Where calibrations are looked for: here, where the environment says, and among the person's settings.
pub fn calibration_folders() -> Vec<PathBuf> {
    let config = std::env::var_os("XDG_CONFIG_HOME")
        .map(PathBuf::from)
        .or_else(|| std::env::var_os("HOME").map(|home| Path::new(&home).join(".config")));
    let folders = [
        Some(PathBuf::from("calibration")),
        std::env::var_os(FOLDER_VARIABLE).map(PathBuf::from),
        config.map(|folder| folder.join("clothline")),
    ];
    folders.into_iter().flatten().collect()
}

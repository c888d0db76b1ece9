//! Where lens profiles lie on disk.

use std::path::{Path, PathBuf};

use clothline::Refusal;
use clothline::camera::lens_profile::LensProfile;

use super::files;
use super::mats::calibration_folders;

/// The folder of profiles within a calibration folder.
pub const FOLDER: &str = "lenses";

/// All profiles of the folder named, else of the usual ones (the first folder that holds one for a camera wins).
///
/// # Errors
/// If a profile cannot be read: a broken one must not be passed over in silence.
pub fn all(named: Option<&Path>) -> Result<Vec<LensProfile>, Refusal> {
    let folders: Vec<PathBuf> = named.map_or_else(calibration_folders, |folder| vec![folder.to_path_buf()]);
    let mut out = Vec::new();
    for folder in folders {
        let Ok(entries) = std::fs::read_dir(folder.join(FOLDER)) else { continue };
        let mut paths: Vec<PathBuf> =
            entries.flatten().map(|e| e.path()).filter(|p| p.extension().is_some_and(|e| e == "json")).collect();
        paths.sort();
        for path in paths {
            let text = String::from_utf8_lossy(&files::read(&path)?).into_owned();
            let profile = LensProfile::parse(&text);
            out.push(profile.map_err(|r| Refusal { seen: format!("{}: {}", path.display(), r.seen), ..r })?);
        }
    }
    Ok(out)
}

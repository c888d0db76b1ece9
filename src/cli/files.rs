//! Files: read whole, written under another name, flushed, then renamed, so that nothing is ever half there.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use clothline::{Refusal, RefusalKind};
use image::RgbImage;
use image::codecs::jpeg::JpegEncoder;

/// The largest file read: no photo a phone takes is larger.
const MAX_FILE_BYTES: u64 = 400 << 20;

/// The bytes of a file, or of standard input for `-`.
///
/// # Errors
/// If it is not there, not readable, or implausibly large.
pub fn read(path: &Path) -> Result<Vec<u8>, Refusal> {
    let mut bytes = Vec::new();
    let read = if path == Path::new("-") {
        io::stdin().lock().take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes)
    } else {
        File::open(path).and_then(|file| file.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes))
    };
    read.map_err(|e| {
        let seen = format!("{} could not be read ({})", path.display(), why(&e));
        file_trouble(seen, "check the name and that you may open it")
    })?;
    if bytes.len() as u64 > MAX_FILE_BYTES {
        return Err(file_trouble(
            format!("{} is larger than {} MB", path.display(), MAX_FILE_BYTES >> 20),
            "this is no photo from a phone or camera: give the photo itself",
        ));
    }
    Ok(bytes)
}

/// Files to be written together: all of them or, as far as the system allows, none.
#[derive(Default)]
pub struct Batch {
    files: Vec<(PathBuf, Vec<u8>)>,
}

impl Batch {
    /// Adds a file by its name within the folder.
    pub fn add(&mut self, name: impl Into<PathBuf>, bytes: Vec<u8>) {
        self.files.push((name.into(), bytes));
    }

    /// Takes over the files of another batch.
    pub fn extend(&mut self, other: Self) {
        self.files.extend(other.files);
    }

    /// Names of the files, in the order added.
    pub fn names(&self) -> impl Iterator<Item = &Path> {
        self.files.iter().map(|(name, _)| name.as_path())
    }

    /// Writes everything under temporary names into `folder`, then renames.
    ///
    /// # Errors
    /// If the folder cannot be made or a file cannot be written; what was written is taken away again.
    pub fn write(&self, folder: &Path) -> Result<(), Refusal> {
        let trouble = |e: io::Error| {
            file_trouble(
                format!("nothing could be written into {} ({})", folder.display(), why(&e)),
                "choose a folder you may write to, with room on the disk",
            )
        };
        let made = !folder.exists();
        fs::create_dir_all(folder).map_err(trouble)?;
        let staged: Vec<PathBuf> = self.files.iter().map(|(name, _)| staged_name(folder, name)).collect();
        let written = self.files.iter().zip(&staged).try_for_each(|((_, bytes), to)| write_flushed(to, bytes));
        if let Err(e) = written {
            staged.iter().for_each(|path| drop(fs::remove_file(path)));
            if made {
                drop(fs::remove_dir(folder));
            }
            return Err(trouble(e));
        }
        for ((name, _), from) in self.files.iter().zip(&staged) {
            fs::rename(from, folder.join(name)).map_err(trouble)?;
        }
        Ok(())
    }
}

fn staged_name(folder: &Path, name: &Path) -> PathBuf {
    folder.join(format!(".{}.{}.part", name.display(), std::process::id()))
}

fn write_flushed(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// What the system says, in plain words where they are known.
pub fn why(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "there is no such file or folder".into(),
        io::ErrorKind::PermissionDenied => "you may not".into(),
        io::ErrorKind::IsADirectory => "it is a folder".into(),
        io::ErrorKind::NotADirectory => "it is a file, not a folder".into(),
        io::ErrorKind::ReadOnlyFilesystem => "nothing can be changed on that disk".into(),
        io::ErrorKind::StorageFull => "the disk is full".into(),
        _ => error.to_string(),
    }
}

fn file_trouble(seen: String, advice: &str) -> Refusal {
    Refusal::new(RefusalKind::File, seen, advice)
}

/// Writes a line on standard output. A reader that has gone (`| head`) ends the program quietly, as is usual in a shell.
pub fn say(line: std::fmt::Arguments<'_>) {
    let mut out = io::stdout().lock();
    if out.write_fmt(line).and_then(|()| out.write_all(b"\n")).is_err() {
        std::process::exit(0);
    }
}

/// Can files be written into this folder (made if need be)? Asked before the long work.
///
/// # Errors
/// If not.
pub fn check_writable(folder: &Path) -> Result<(), Refusal> {
    let mut nearest = folder;
    while !nearest.exists() {
        match nearest.parent() {
            Some(parent) if parent != Path::new("") => nearest = parent,
            _ => nearest = Path::new("."),
        }
    }
    let probe = nearest.join(format!(".clothline.{}.part", std::process::id()));
    let tried = if nearest.is_dir() {
        File::create(&probe).and_then(|_| fs::remove_file(&probe))
    } else {
        Err(io::Error::other("a file of that name is in the way"))
    };
    tried.map_err(|e| {
        file_trouble(
            format!("nothing can be written into {} ({})", folder.display(), why(&e)),
            "choose a folder you may write to",
        )
    })
}

/// JPEG bytes of a picture; `None` where it is too large for a JPEG.
pub fn jpeg(picture: &RgbImage, quality: u8) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, quality).encode_image(picture).ok()?;
    Some(bytes)
}

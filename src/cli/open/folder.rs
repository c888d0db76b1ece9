//! The set's folder: every name is a plain one, every path stays inside, every file is written whole or not at all.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use clothline::desk::{Kept, SET_CHANGES, SET_FILE, Save, check_name};
use clothline::set::file::{self, SetFile};
use clothline::{Refusal, RefusalKind};

use crate::cli::files;

/// Photos as they were brought in.
pub const PHOTOS: &str = "photos";
const PIECES: &str = "pieces";
const REVIEW: &str = "out/review";

/// Does a person write this file, by hand or by what they do on the page?
fn is_persons(path: &str) -> bool {
    path == SET_FILE || path.ends_with(".changes.json")
}

/// A set's folder on disk.
pub struct Folder {
    root: PathBuf,
    staged: AtomicU64,
    /// What a person's files held when they were last read or written here.
    known: Mutex<BTreeMap<String, Vec<u8>>>,
}

impl Folder {
    /// The folder, made if it is not there; what an ended run left half written is taken away.
    ///
    /// # Errors
    /// If it cannot be made or written.
    pub fn open(path: &Path) -> Result<Self, Refusal> {
        let trouble = |e: io::Error| {
            let seen = format!("{} cannot be used as a set's folder ({})", path.display(), files::why(&e));
            Refusal::new(RefusalKind::File, seen, "give a folder you may write to")
        };
        for folder in [PHOTOS, PIECES, REVIEW] {
            fs::create_dir_all(path.join(folder)).map_err(trouble)?;
        }
        let root = path.canonicalize().map_err(trouble)?;
        super::super::files::check_writable(&root)?;
        let folder = Self { root, staged: AtomicU64::new(0), known: Mutex::default() };
        for part in [PHOTOS, PIECES, REVIEW] {
            for name in folder.names(part).into_iter().filter(|n| n.starts_with('.') && n.ends_with(".part")) {
                drop(fs::remove_file(folder.root.join(part).join(name)));
            }
        }
        Ok(folder)
    }

    /// The folder's own name.
    pub fn name(&self) -> String {
        self.root.file_name().map_or_else(|| "set".into(), |name| name.to_string_lossy().into_owned())
    }

    /// Names in a folder of the set, sorted.
    fn names(&self, part: &str) -> Vec<String> {
        let entries = fs::read_dir(self.root.join(part)).into_iter().flatten().flatten();
        let mut names: Vec<String> = entries.filter_map(|e| e.file_name().into_string().ok()).collect();
        names.sort();
        names
    }

    /// Photos there are.
    pub fn photos(&self) -> Vec<String> {
        self.names(PHOTOS).into_iter().filter(|n| check_name(n).is_ok()).collect()
    }

    /// The set's own file, if there is one.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn recipe(&self) -> Result<Option<SetFile>, Refusal> {
        self.text(SET_FILE)?.map(|text| file::read(&text)).transpose()
    }

    /// What was changed in the set's own file.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn set_changes(&self) -> Result<Option<String>, Refusal> {
        self.text(SET_CHANGES)
    }

    /// What was kept of the pieces that have an outline of their own.
    ///
    /// # Errors
    /// If a file of one cannot be read.
    pub fn kept(&self, recipe: Option<&SetFile>) -> Result<BTreeMap<String, Kept>, Refusal> {
        let pieces = recipe.map(|set| set.pieces.as_slice()).unwrap_or_default();
        let mut all = BTreeMap::new();
        for piece in pieces.iter().filter(|p| p.photo.is_some() || p.outline.is_some()) {
            let name = &piece.name;
            let traced = piece.outline.clone().unwrap_or_else(|| format!("{PIECES}/{name}.traced.json"));
            let kept = Kept {
                traced: self.text(&traced)?,
                changes: self.text(&format!("{PIECES}/{name}.changes.json"))?,
                backdrop: self.text(&format!("{REVIEW}/{name}.json"))?,
            };
            all.insert(name.clone(), kept);
        }
        Ok(all)
    }

    fn text(&self, path: &str) -> Result<Option<String>, Refusal> {
        if !self.root.join(path).exists() {
            return Ok(None);
        }
        let bytes = self.read(path)?;
        let text = String::from_utf8_lossy(&bytes).into_owned();
        if is_persons(path) {
            self.known().insert(path.to_string(), bytes);
        }
        Ok(Some(text))
    }

    fn known(&self) -> MutexGuard<'_, BTreeMap<String, Vec<u8>>> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Forgets what files held: they are about to be read again.
    pub fn forget(&self) {
        self.known().clear();
    }

    /// A person's file that another program, or a hand, has changed since it was read here is not written over.
    fn check_unchanged(&self, saves: &[Save]) -> Result<(), Refusal> {
        let known = self.known();
        for save in saves.iter().filter(|save| is_persons(&save.path)) {
            let now = fs::read(self.root.join(&save.path)).ok();
            if now.as_ref() != known.get(&save.path) {
                return Err(Refusal::new(
                    RefusalKind::BadRequest,
                    format!("{} was changed outside this page, so the last change here was not made", save.path),
                    "load the page again and look at what is there now",
                ));
            }
        }
        Ok(())
    }

    /// A photo's bytes.
    ///
    /// # Errors
    /// If the name is not plain, or there is no such photo.
    pub fn photo(&self, name: &str) -> Result<Vec<u8>, Refusal> {
        check_name(name)?;
        self.read(&format!("{PHOTOS}/{name}"))
    }

    /// The flat photo of a piece, JPEG.
    ///
    /// # Errors
    /// If the name is not plain, or there is no such picture.
    pub fn picture(&self, piece: &str) -> Result<Vec<u8>, Refusal> {
        check_name(piece)?;
        self.read(&format!("{REVIEW}/{piece}.jpg"))
    }

    /// The folder's place on disk.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// A file in the set's folder. A link that leads out of it is not followed.
    ///
    /// # Errors
    /// If it is not there, or not in the folder.
    pub fn read(&self, path: &str) -> Result<Vec<u8>, Refusal> {
        let trouble = |why: String| {
            Refusal::new(RefusalKind::File, format!("{path} could not be read ({why})"), "look into the set's folder")
        };
        let real = self.root.join(path).canonicalize().map_err(|e| trouble(e.to_string()))?;
        if !real.starts_with(&self.root) || !real.is_file() {
            return Err(trouble("it is not a file of this set".into()));
        }
        super::super::files::read(&real)
    }

    /// Keeps files: each under another name first, flushed, then renamed, in the order given.
    ///
    /// # Errors
    /// If one cannot be written.
    pub fn keep(&self, saves: &[Save]) -> Result<(), Refusal> {
        self.check_unchanged(saves)?;
        saves.iter().try_for_each(|save| self.keep_one(save)).map_err(|e| {
            let seen = format!("the change could not be saved ({})", files::why(&e));
            Refusal::new(RefusalKind::File, seen, "see that there is room on the disk and the folder may be written")
        })
    }

    fn keep_one(&self, save: &Save) -> io::Result<()> {
        let to = self.root.join(&save.path);
        let Some(bytes) = &save.bytes else {
            self.known().remove(&save.path);
            return match fs::remove_file(&to) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
                _ => Ok(()),
            };
        };
        let part = self.staged_name(&to);
        let written = File::create(&part).and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        });
        written.and_then(|()| fs::rename(&part, &to)).inspect_err(|_| drop(fs::remove_file(&part)))?;
        if is_persons(&save.path) {
            self.known().insert(save.path.clone(), bytes.clone());
        }
        Ok(())
    }

    fn staged_name(&self, to: &Path) -> PathBuf {
        let number = self.staged.fetch_add(1, Ordering::SeqCst);
        let name = to.file_name().unwrap_or_default().to_string_lossy();
        to.with_file_name(format!(".{name}.{}-{number}.part", std::process::id()))
    }

    /// A photo to be written as it comes in.
    ///
    /// # Errors
    /// If the name is not plain or the file cannot be made.
    pub fn receive(&self, name: &str) -> Result<Incoming, Refusal> {
        check_name(name)?;
        let to = self.root.join(PHOTOS).join(name);
        let part = self.staged_name(&to);
        let file = File::create(&part).map_err(|e| {
            let seen = format!("the photo could not be kept ({})", files::why(&e));
            Refusal::new(RefusalKind::File, seen, "see that there is room on the disk and the folder may be written")
        })?;
        Ok(Incoming { file, part, to })
    }
}

/// A photo coming in; taken away again unless it is [kept](Incoming::keep).
pub struct Incoming {
    /// Where it is written.
    pub file: File,
    part: PathBuf,
    to: PathBuf,
}

impl Incoming {
    /// What has come in.
    ///
    /// # Errors
    /// If it cannot be read back.
    pub fn bytes(&self) -> io::Result<Vec<u8>> {
        fs::read(&self.part)
    }

    /// The photo is whole: it gets its name. A photo of that name with other content stays, and this one gets a number.
    ///
    /// # Errors
    /// If it cannot be flushed or renamed.
    pub fn keep(self) -> io::Result<String> {
        self.file.sync_all()?;
        let to = self.free_name()?;
        fs::rename(&self.part, &to)?;
        Ok(to.file_name().unwrap_or_default().to_string_lossy().into_owned())
    }

    fn free_name(&self) -> io::Result<PathBuf> {
        let same = |path: &Path| -> io::Result<bool> {
            let alike = fs::metadata(path)?.len() == fs::metadata(&self.part)?.len();
            Ok(alike && fs::read(path)? == fs::read(&self.part)?)
        };
        let (stem, end) = (self.to.file_stem().unwrap_or_default(), self.to.extension().unwrap_or_default());
        let mut path = self.to.clone();
        for number in 2.. {
            if !path.exists() || same(&path)? {
                break;
            }
            let name = format!("{}-{number}.{}", stem.to_string_lossy(), end.to_string_lossy());
            path = self.to.with_file_name(name);
        }
        Ok(path)
    }
}

impl Drop for Incoming {
    fn drop(&mut self) {
        // Gone already when it was kept.
        drop(fs::remove_file(&self.part));
    }
}

//! What the page may ask of the desk, what is answered, and what is to be kept.

use serde::{Deserialize, Serialize};

use super::{PatternView, PieceView, PlanView, Reference};
use crate::corrections::Step;
use crate::refusal::{Refusal, Warning};
use crate::report::Check;
use crate::set::file::SetFile;
use crate::snap::SnapTo;
use crate::units::MatPoint;

/// What the page may ask.
#[derive(Debug, Clone, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// What lies on the desk?
    Overview,
    /// These photos (one, or several that overlap) show a piece; this of known size lies in them. Asks for tracing.
    Describe {
        /// Name of the piece.
        piece: String,
        /// Names of the photos.
        photos: Vec<String>,
        /// What is of known size, and what else is known.
        reference: Reference,
    },
    /// A piece with all that is drawn of it.
    Piece {
        /// Its name.
        piece: String,
    },
    /// A change.
    Change {
        /// Name of the piece.
        piece: String,
        /// What is changed.
        step: Step,
    },
    /// The last change is taken back.
    Undo {
        /// Name of the piece.
        piece: String,
    },
    /// The change taken back last is made again.
    Redo {
        /// Name of the piece.
        piece: String,
    },
    /// A path along the photo's edges or seams.
    Snap {
        /// Name of the piece.
        piece: String,
        /// Places it goes through.
        places: Vec<MatPoint>,
        /// What it follows.
        to: SnapTo,
    },
    /// The set's own file, and the finished set.
    Pattern,
    /// The set's own file, changed.
    Recipe {
        /// All of it.
        set: Box<SetFile>,
        /// What was changed, in words.
        #[serde(default)]
        words: Option<String>,
    },
    /// The last change to the set's own file is taken back.
    UndoSet,
    /// The change to the set's own file taken back last is made again.
    RedoSet,
    /// Every sheet as it will be printed.
    Sheets {
        /// The paper: a name such as A4, a roll's width, `pages` or `projector`.
        paper: String,
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
    },
    /// How the pieces lie on the cloth, and how much of it to buy.
    Lay {
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
        /// Seconds to search for every plan.
        seconds: f64,
    },
    /// The make sheet as it will be printed.
    MakeSheet {
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
        /// The paper.
        paper: String,
    },
    /// What was checked, and how it went.
    Report {
        /// Only this variation, with what all variations share.
        #[serde(default)]
        variation: Option<String>,
    },
    /// A piece is taken off the desk.
    Remove {
        /// Name of the piece.
        piece: String,
    },
}

/// What is answered.
#[derive(Debug, Clone, Serialize)]
#[serde(tag = "answer", rename_all = "kebab-case")]
pub enum Answer {
    /// To [`Request::Overview`], [`Request::Describe`] and [`Request::Remove`].
    Overview(Overview),
    /// To [`Request::Piece`] and every change.
    Piece(Box<PieceView>),
    /// To [`Request::Snap`].
    Path {
        /// Its points.
        path: Vec<MatPoint>,
    },
    /// To [`Request::Pattern`] and [`Request::Recipe`].
    Pattern(Box<PatternView>),
    /// To [`Request::Lay`].
    Lay {
        /// A plan for every cloth and width.
        plans: Vec<PlanView>,
        /// The cloths that pieces are cut from.
        cloths: Vec<String>,
    },
    /// To [`Request::Report`].
    Report {
        /// All checks.
        checks: Vec<Check>,
        /// What to look at before cutting.
        warnings: Vec<Warning>,
    },
    /// To [`Request::Sheets`] and [`Request::MakeSheet`].
    Sheets {
        /// An SVG for every page, in order.
        pages: Vec<String>,
        /// What a person should know before printing.
        warnings: Vec<Warning>,
    },
}

/// What lies on the desk.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Overview {
    /// The pieces, by name.
    pub pieces: Vec<OnOverview>,
    /// The last change to the set's own file, in words.
    pub undo: Option<String>,
    /// The change to it that was taken back last.
    pub redo: Option<String>,
}

/// A piece on the overview.
#[derive(Debug, Clone, Serialize)]
pub struct OnOverview {
    /// Its name.
    pub name: String,
    /// Its photos.
    pub photos: Vec<String>,
    /// What was said of them.
    pub reference: Reference,
    /// Is there an outline?
    pub traced: bool,
    /// Is it older than what is known now (a new reference, paint)?
    pub stale: bool,
    /// What stopped the last tracing.
    pub refused: Option<Refusal>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
    /// How many stretches are doubtful.
    pub doubtful: usize,
    /// How many changes were made.
    pub changes: usize,
    /// Changes when the picture changes, for caches.
    pub picture: Option<String>,
}

/// A file to be kept, by its path in the set's folder (`/` between folders).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Save {
    /// Where.
    pub path: String,
    /// What; `None`: the file is to be taken away.
    pub bytes: Option<Vec<u8>>,
}

impl Save {
    pub(super) fn text(path: String, text: String) -> Self {
        Self { path, bytes: Some(text.into_bytes()) }
    }
}

/// What was kept of a piece.
#[derive(Debug, Clone, Default)]
pub struct Kept {
    /// `pieces/NAME.traced.json`, or the outline drawn elsewhere.
    pub traced: Option<String>,
    /// `pieces/NAME.changes.json`.
    pub changes: Option<String>,
    /// `out/review/NAME.json`.
    pub backdrop: Option<String>,
}

//! The one error of the engine: what was seen, why it stops us, what to do.

/// The kinds of refusal, for programs; people read the sentences.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RefusalKind {
    /// The bytes are not a photo that can be read.
    UnreadablePhoto,
    /// Too few pixels, or too many to hold.
    PhotoSize,
    /// Blurred, black, blown out.
    PoorPhoto,
    /// No reference of known size was found.
    NoReference,
    /// A reference was found, but too little of it.
    TooLittleReference,
    /// A reference was found, but it is not flat and even.
    UnevenReference,
    /// What was found contradicts what was typed, or itself.
    ContradictoryReference,
    /// No cloth could be told from the mat.
    NoCloth,
    /// The cloth leaves the picture or hides the mat.
    ClothOutOfView,
    /// An outline, an edge or an allowance that cannot be worked with.
    BadOutline,
    /// Allowances that a piece has no room for: those of two sides would run into each other.
    NoRoom,
    /// A value that makes no sense (an edge number that is not there, a width of zero).
    BadRequest,
    /// A piece that fits on no cloth or paper of the size given.
    DoesNotFit,
    /// A file that could not be read or written.
    File,
}

/// A job that stops, in three parts a person can act on.
///
/// `Display` gives one line: `seen: why; advice`.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Refusal {
    /// The kind, for programs.
    pub kind: RefusalKind,
    /// What was seen ("found 6 grid lines across, 8 are needed").
    pub seen: String,
    /// What to do about it ("retake with more of the mat in view").
    pub advice: String,
}

impl Refusal {
    /// A refusal from what was seen and what to do about it.
    pub fn new(kind: RefusalKind, seen: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { kind, seen: seen.into(), advice: advice.into() }
    }
}

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.seen, self.advice)
    }
}

impl std::error::Error for Refusal {}

/// Something a person should know although the job went on.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Warning {
    /// A short stable name, for programs ("scale-unmeasured").
    pub code: String,
    /// The sentence for people, with what to do.
    pub text: String,
}

impl Warning {
    /// A warning from its code and its sentence.
    pub fn new(code: impl Into<String>, text: impl Into<String>) -> Self {
        Self { code: code.into(), text: text.into() }
    }
}

//! `set.json`: what a pattern set is made from and what is wanted of it, as a person writes it.
//!
//! Schema: `src/schema/set.schema.json`. Lengths are written as people type them ("1/2in", "3cm") or as a plain number of
//! millimetres. The least set:
//!
//! ```json
//! { "format": "clothline-set", "version": 1, "name": "Tee",
//!   "pieces": [{ "name": "front", "photo": { "file": "photos/front.jpg", "grid": "1in" } }] }
//! ```

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::band::Band;
use crate::draft::changes::Change;
use crate::draft::roles::PieceKind;
use crate::draft::shape::{EdgeRef, Role};
use crate::json_fault;
use crate::lay::{self, Bolt};
use crate::refusal::{Refusal, RefusalKind};
use crate::seams::{CornerShape, Cutting, MOST_COPIES, NotchKind, NotchShape, Stretch};
use crate::units::Length;

/// The file's own name for its format.
pub const FORMAT: &str = "clothline-set";
/// Version written, and the newest that is read.
pub const VERSION: u32 = 1;

/// A pattern set as a person writes it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SetFile {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Name of the set.
    pub name: String,
    /// Size, or the person it is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size: Option<String>,
    /// Date, as it is to be printed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// What lies beside the garment in every photo that does not say otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<Reference>,
    /// Allowances by role; "seam" is every other edge.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub allowances: BTreeMap<String, Allowance>,
    /// How notches are cut.
    #[serde(default, skip_serializing_if = "NotchStyle::is_usual")]
    pub notches: NotchStyle,
    /// What the cloth will shrink by in the wash, per cent; the pieces are made larger by that much.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shrinkage: Option<Shrinkage>,
    /// The pieces.
    pub pieces: Vec<PieceFile>,
    /// Edges that are sewn together; left out: guessed from the roles.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairs: Option<Vec<PairFile>>,
    /// Small differences between edges that are sewn together are shared out.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub trued: bool,
    /// The cloth, for the lay plan; several widths of one cloth are compared.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cloth: Vec<Bolt>,
    /// Lengths measured with a tape on the garment, to check the scale.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tape: Vec<TapeFile>,
}

/// What lies beside the garment in a photo.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reference {
    /// Distance between the mat's lines.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grid: Option<Length>,
    /// A measured length of this mat: "20=507mm".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<String>,
    /// A mat measured once, by name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mat: Option<String>,
    /// Side of the printed cards' squares.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<Length>,
    /// Lengths of rulers.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ruler: Vec<Length>,
    /// A sheet of standard paper: "a4", "letter".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet: Option<String>,
    /// A bank card lies there.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub id_card: bool,
}

impl Reference {
    /// Is anything named?
    pub fn any(&self) -> bool {
        self.grid.is_some()
            || self.mat.is_some()
            || self.card.is_some()
            || !self.ruler.is_empty()
            || self.sheet.is_some()
            || self.id_card
    }
}

/// A photo of a piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PhotoFile {
    /// The photo, by its name within the set's folder; of a long garment several that overlap.
    pub file: OneOrMore,
    /// Distance between the mat's lines, where it is not the set's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grid: Option<Length>,
    /// Another reference than the set's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<Reference>,
    /// Height of the folded garment.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness: Option<Length>,
    /// Layers of cloth, with `cloth`, instead of `thickness`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layers: Option<u32>,
    /// The cloth of those layers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cloth: Option<String>,
    /// Colour of stickers on the cloth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marks: Option<String>,
    /// Photo of the bare mat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bare: Option<String>,
}

/// One name or several.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged, expecting = "a file's name or a list of them")]
pub enum OneOrMore {
    /// One.
    One(String),
    /// Several.
    More(Vec<String>),
}

impl OneOrMore {
    /// All names.
    pub fn all(&self) -> &[String] {
        match self {
            OneOrMore::One(one) => std::slice::from_ref(one),
            OneOrMore::More(all) => all,
        }
    }
}

/// A width, or the width of the elastic that goes through.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged, expecting = "a length such as \"1/2in\", or {\"elastic\": \"1in\"} for a casing")]
pub enum Allowance {
    /// A width.
    Width(Length),
    /// A casing.
    Casing(Casing),
}

/// A casing: as wide as its elastic and some room.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Casing {
    /// Width of the elastic.
    pub elastic: Length,
    /// Room for turning and stitching; 12 mm unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<Length>,
}

/// Room in a casing beside its elastic, mm (common practice, no source).
pub const CASING_ROOM_MM: f64 = 12.0;

impl Allowance {
    /// The width.
    pub fn width(self) -> Length {
        match self {
            Allowance::Width(width) => width,
            Allowance::Casing(casing) => {
                let mm = casing.elastic.mm() + casing.room.map_or(CASING_ROOM_MM, Length::mm);
                if casing.elastic.is_in_inches() {
                    Length::from_inches(mm / crate::units::MM_PER_INCH)
                } else {
                    Length::from_mm(mm)
                }
            }
        }
    }
}

/// How notches are cut.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NotchStyle {
    /// Slit or triangle.
    #[serde(default)]
    pub shape: NotchShape,
    /// How deep; left out: 2/5 of the allowance, at most 6 mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Length>,
}

impl NotchStyle {
    fn is_usual(&self) -> bool {
        *self == Self::default()
    }
}

/// Shrinkage in the wash, per cent, not negative.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Shrinkage {
    /// Along the grain.
    #[serde(default)]
    pub length: f64,
    /// Across the grain.
    #[serde(default)]
    pub width: f64,
}

/// A piece: where its shape comes from and what is wanted of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PieceFile {
    /// Its name; also its file's name in `pieces`.
    pub name: String,
    /// Traced from a photo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photo: Option<PhotoFile>,
    /// An outline drawn elsewhere, by its file's name within the set's folder.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outline: Option<String>,
    /// Made from another piece's shape, before that piece's own changes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// A rectangle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<Band>,
    /// What kind of piece it is; left out: guessed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<PieceKind>,
    /// The edge on the fold: its number, "auto" or "none".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fold: Option<NumberOrWord>,
    /// Roles of edges, by number, where the guess is wrong.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub roles: BTreeMap<String, Role>,
    /// Names of edges, by number or role.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub names: BTreeMap<String, String>,
    /// Changes, one after another.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<Change>,
    /// Roles of edges after the changes; "fold" lays a straight edge on the fold.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub roles_after: BTreeMap<String, Role>,
    /// Names of edges after the changes.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub names_after: BTreeMap<String, String>,
    /// Half with its fold, or whole.
    #[serde(default, skip_serializing_if = "Draw::is_half")]
    pub draw: Draw,
    /// Allowances of edges, by number, name or role; "seam" is every other edge of this piece.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub allowances: BTreeMap<String, Allowance>,
    /// How the allowance of an edge ends at its corners.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub corners: BTreeMap<String, CornerShape>,
    /// Notches of this piece alone; those of a pair stand with the pair.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notches: Vec<NotchFile>,
    /// How it is cut; left out: as usual for its kind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cut: Option<Cutting>,
    /// Grain, degrees anticlockwise from upright.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grain: Option<f64>,
    /// The way a knit must stretch most.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stretch: Option<Stretch>,
    /// The variation it belongs to; left out: all of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub variation: Option<String>,
    /// Only a shape for other pieces to be made from: not printed.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub master_only: bool,
}

/// A number or a word.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged, expecting = "an edge's number, \"auto\" or \"none\"")]
pub enum NumberOrWord {
    /// A number.
    Number(usize),
    /// A word.
    Word(String),
}

/// How a piece on a fold is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Draw {
    /// The half, to be laid on a fold of the cloth.
    #[default]
    Half,
    /// Unfolded.
    Whole,
}

impl Draw {
    fn is_half(&self) -> bool {
        *self == Draw::Half
    }
}

/// A notch of one piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NotchFile {
    /// Its edge.
    pub edge: EdgeRef,
    /// How far along the stitching line: a length, "middle" or "25%".
    pub at: String,
    /// Measured from: the edge at that corner, "start" or "end"; "start" unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<EdgeRef>,
    /// Single or double; left out: double on backs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<NotchKind>,
}

/// Edges sewn together: `["front/side-seam", "back/side-seam"]`,
/// `["front/armhole + back/armhole", "2 x sleeve/sleeve-cap"]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PairFile {
    /// The two sides.
    pub sew: [String; 2],
    /// How much longer the second side is meant to be: it is eased in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ease: Option<Length>,
    /// The second side is this share of the first: it is stretched on (0.85 for a neckband).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ratio: Option<f64>,
    /// The start of the one edge meets the end of the other; left out: told from the neighbours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reversed: Option<bool>,
    /// Notches on both, at the same distance along both stitching lines.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notches: Vec<PairNotch>,
    /// The second side is eased only between these distances (along the first, from `from`): a notch at both ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub eased_between: Option<EasedStretch>,
}

/// A notch on both edges of a pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PairNotch {
    /// How far along.
    pub at: Length,
    /// Measured from the corner with the edge of this name or role on both pieces, or from the "start" or "end" of the
    /// first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<EdgeRef>,
}

/// Where ease begins and ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct EasedStretch {
    /// Where it begins, along the first edge.
    pub begin: Length,
    /// Where it ends, along the first edge.
    pub end: Length,
    /// Measured from, as for a notch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<EdgeRef>,
}

/// A length measured with a tape on the garment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TapeFile {
    /// A finished measurement ("chest", "inseam") or an edge ("front/shoulder").
    pub measure: String,
    /// By the tape.
    pub length: Length,
    /// How well the tape can be read there; 3 mm or 0.5 % unless said, whichever is more (from memory).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub doubt: Option<Length>,
}

impl SetFile {
    /// Does the person who wrote this think in inches?
    pub fn is_in_inches(&self) -> bool {
        let grids = self
            .reference
            .iter()
            .filter_map(|r| r.grid)
            .chain(self.pieces.iter().filter_map(|p| p.photo.as_ref()).filter_map(|photo| photo.grid));
        let seam = self.allowances.get("seam").map(|allowance| allowance.width());
        grids.chain(seam).next().is_some_and(Length::is_in_inches)
    }

    /// Leaves only the pieces of one variation, and those that all variations share, to be made; the others serve as
    /// shapes to work from.
    ///
    /// # Errors
    /// [`RefusalKind::BadRequest`] if there is no such variation.
    pub fn keep_variation(&mut self, wanted: &str) -> Result<(), Refusal> {
        let all: BTreeSet<&str> = self.pieces.iter().filter_map(|p| p.variation.as_deref()).collect();
        if !all.contains(wanted) {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("there is no variation \"{wanted}\""),
                match all.len() {
                    0 => "this set has none".to_string(),
                    _ => format!("the variations are {}", all.into_iter().collect::<Vec<_>>().join(", ")),
                },
            ));
        }
        for piece in self.pieces.iter_mut().filter(|p| p.variation.as_deref().is_some_and(|v| v != wanted)) {
            piece.master_only = true;
        }
        Ok(())
    }
}

/// Reads a set.
///
/// # Errors
/// [`RefusalKind::File`] with the place in the file and the remedy.
pub fn read(json: &str) -> Result<SetFile, Refusal> {
    let value: serde_json::Value = serde_json::from_str(json).map_err(|e| {
        refuse(
            format!("set.json cannot be read{}", json_fault::of(&e)),
            "look there for a missing comma, quote or bracket",
        )
    })?;
    let format = value.get("format").and_then(serde_json::Value::as_str).unwrap_or_default();
    if format != FORMAT {
        return Err(refuse(
            match format {
                "" => "set.json does not say that it is a set".into(),
                other => format!("set.json has the format \"{other}\""),
            },
            "a set begins with {\"format\": \"clothline-set\", \"version\": 1, \"name\": ..., \"pieces\": [...]}",
        ));
    }
    let version = value.get("version").and_then(serde_json::Value::as_u64).unwrap_or(0);
    if version > u64::from(VERSION) {
        return Err(refuse(
            format!("set.json is of version {version}, this program reads up to {VERSION}"),
            "update the program; the set was left as it is",
        ));
    }
    let file: SetFile = serde_path_to_error::deserialize(value).map_err(|e| {
        refuse(
            format!("set.json is wrong{}", json_fault::words(&e)),
            "correct that place; src/schema/set.schema.json tells what may stand there",
        )
    })?;
    checked(&file)?;
    Ok(file)
}

/// Writes a set.
///
/// # Errors
/// [`RefusalKind::File`] for a value that JSON cannot hold.
pub fn write(file: &SetFile) -> Result<String, Refusal> {
    let text = serde_json::to_string_pretty(file)
        .map_err(|e| refuse(format!("the set could not be written: {e}"), "report this as a fault"))?;
    Ok(text + "\n")
}

/// The JSON Schema of a set, as published in `src/schema/set.schema.json`.
pub fn schema() -> serde_json::Value {
    let mut schema = schemars::schema_for!(SetFile).to_value();
    // A set names its schema, if it does, for the editor's sake.
    schema["title"] = "A clothline pattern set (set.json)".into();
    schema
}

fn refuse(seen: String, advice: &str) -> Refusal {
    Refusal::new(RefusalKind::File, seen, advice)
}

/// What the form alone does not tell.
fn checked(file: &SetFile) -> Result<(), Refusal> {
    if file.pieces.is_empty() {
        return Err(refuse("set.json has no pieces".into(), "give at least one, with a photo"));
    }
    let mut names = BTreeSet::new();
    for (i, piece) in file.pieces.iter().enumerate() {
        let name = &piece.name;
        let plain = !name.trim().is_empty()
            && !name.starts_with('.')
            && name.chars().all(|c| !c.is_control() && !"/\\:*?\"<>|+".contains(c));
        if !plain {
            return Err(refuse(
                format!("set.json, pieces[{i}]: \"{name}\" cannot be a piece's name"),
                "use letters, digits, spaces and hyphens",
            ));
        }
        if !names.insert(name.to_lowercase()) {
            return Err(refuse(format!("set.json, pieces[{i}]: there are two pieces \"{name}\""), "rename one"));
        }
        if let Some(cut) = piece.cut.as_ref().filter(|c| !(1..=MOST_COPIES).contains(&c.count)) {
            return Err(refuse(
                format!("set.json, pieces[{i}] (\"{name}\") is to be cut {} times", cut.count),
                "give a count from 1 to 99; leave a piece that is not cut at all out with \"master_only\": true",
            ));
        }
        let sources = [piece.photo.is_some(), piece.outline.is_some(), piece.of.is_some(), piece.band.is_some()];
        if sources.iter().filter(|s| **s).count() != 1 {
            return Err(refuse(
                format!(
                    "set.json, pieces[{i}] (\"{name}\") {}",
                    if sources.contains(&true) {
                        "comes from more than one thing"
                    } else {
                        "does not say what it comes from"
                    }
                ),
                "give it exactly one of \"photo\", \"outline\", \"of\" (another piece) and \"band\"",
            ));
        }
    }
    for word in file.allowances.keys().filter(|w| *w != "seam") {
        word.parse::<Role>().map_err(|e| {
            refuse(format!("set.json, allowances: {}", e.seen), "write a role, or \"seam\" for all others")
        })?;
    }
    for bolt in &file.cloth {
        lay::check_width(bolt.width)
            .map_err(|e| refuse(format!("set.json, cloth: {}", e.seen), "give another width"))?;
    }
    if let Some(s) = file.shrinkage.filter(|s| !(0.0..=25.0).contains(&s.length) || !(0.0..=25.0).contains(&s.width)) {
        return Err(refuse(
            format!("set.json, shrinkage: {} % and {} %", s.length, s.width),
            "give per cents from 0 to 25",
        ));
    }
    Ok(())
}

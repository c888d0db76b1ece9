//! What a person says lies in a photo, as it is typed.

use serde::{Deserialize, Serialize};

use crate::cloths::{Cloth, MOST_LAYERS};
use crate::marks::MarkColour;
use crate::mats::Pitch;
use crate::measure::References;
use crate::refusal::{Refusal, RefusalKind};
use crate::sheets::tiles::Paper;
use crate::trace::{ThicknessChoice, TraceOptions};
use crate::units::Length;

/// What is of known size in a photo, and how thick the cloth lies.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Reference {
    /// Distance between the mat's lines.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grid: Option<Length>,
    /// So many squares of the mat measure so much by a steel tape.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<Tape>,
    /// Side of the printed cards' black square.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub card: Option<Length>,
    /// Lengths of rulers.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub rulers: Vec<Length>,
    /// A sheet of standard paper, by its name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sheet: Option<String>,
    /// A bank or identity card.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub id_card: bool,
    /// Height of the folded garment, measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub thickness: Option<Length>,
    /// Layers of cloth, with [`Reference::cloth`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub layers: Option<u32>,
    /// The cloth's name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cloth: Option<String>,
    /// Colour of stickers put on the cloth.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub marks: Option<String>,
    /// Name of a photo of the bare mat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bare: Option<String>,
}

/// A tape laid along the mat.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tape {
    /// Squares.
    pub squares: u32,
    /// What they measure.
    pub length: Length,
}

impl Reference {
    /// As the trace wants it.
    ///
    /// # Errors
    /// [`RefusalKind::BadRequest`] if nothing of known size is named or a value makes no sense.
    pub fn options(&self) -> Result<TraceOptions, Refusal> {
        let references = References {
            card_mm: self.card.map(Length::mm),
            rulers: self.rulers.clone(),
            sheet: self.sheet.as_deref().map(str::parse::<Paper>).transpose()?,
            id_card: self.id_card,
            height_mm: None,
        };
        if self.grid.is_none() && !references.any() {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                "nothing of known size was named",
                "say the mat's squares, or which ruler, cards or paper lie beside the garment",
            ));
        }
        let lengths = [self.grid, self.card].into_iter().flatten().chain(self.rulers.iter().copied());
        if let Some(odd) = lengths.into_iter().find(|l| !(1.0..=5000.0).contains(&l.mm())) {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("{odd} cannot be the size of something in the photo"),
                "check the number and its unit, such as 1in or 1cm",
            ));
        }
        let pitch = match (self.grid, self.measured) {
            (Some(grid), Some(tape)) => Some(Pitch::measured(grid, tape.squares, tape.length)?),
            (Some(grid), None) => Some(Pitch::nominal(grid)),
            (None, _) => None,
        };
        Ok(TraceOptions {
            pitch,
            references,
            thickness: self.thickness_choice()?,
            bare: None,
            lenses: Vec::new(),
            marks: self.colour()?,
            hints: Vec::new(),
        })
    }

    /// Does the person who says this think in inches?
    pub fn is_in_inches(&self) -> bool {
        let lengths = [self.grid, self.card].into_iter().flatten().chain(self.rulers.iter().copied());
        lengths.into_iter().any(Length::is_in_inches) || self.sheet.as_deref() == Some("Letter")
    }

    fn colour(&self) -> Result<Option<MarkColour>, Refusal> {
        let bad = |seen: String| Refusal::new(RefusalKind::BadRequest, seen, "choose one of the colours offered");
        self.marks.as_deref().map(|colour| colour.parse().map_err(bad)).transpose()
    }

    fn thickness_choice(&self) -> Result<ThicknessChoice, Refusal> {
        let bad = |seen: String, advice: &str| Err(Refusal::new(RefusalKind::BadRequest, seen, advice));
        match (self.thickness, self.layers, &self.cloth) {
            (Some(thickness), _, _) => ThicknessChoice::measured(thickness),
            (None, Some(layers), Some(cloth)) => match Cloth::named(cloth) {
                Some(cloth) if (1..=MOST_LAYERS).contains(&layers) => Ok(ThicknessChoice::Layers(layers, cloth)),
                Some(_) => bad(format!("{layers} layers of cloth"), "count the layers that lie on each other"),
                None => bad(format!("\"{cloth}\" is not in the table of cloths"), "choose one of those offered"),
            },
            _ => Ok(ThicknessChoice::Unknown),
        }
    }
}

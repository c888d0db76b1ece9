//! What a pattern is put out on, as a person names it, and the PDF made for it.

use std::str::FromStr;

use super::drawing::Drawing;
use super::tiles::{self, PAPER_MARGIN_MM, Paper, TilePlan, TileSheet};
use super::{arrange, pdf, projector, svg};
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::units::Length;

/// Margin of a plotter's roll, mm.
const ROLL_MARGIN_MM: f64 = 10.0;

/// Paper, roll or light.
#[derive(Debug, Clone, PartialEq)]
pub enum Medium {
    /// Sheets of a home printer, joined after printing.
    Tiles(Paper),
    /// Large sheets, every piece whole.
    Sheets(Paper),
    /// A roll of a width.
    Roll(Length),
    /// A page as large as it must be for every piece.
    PagePerPiece,
    /// Light from above.
    Projector,
}

impl Medium {
    /// Stem of its file's name: `sheets-a4`, `roll-36in`, `pages`, `projector`.
    pub fn stem(&self) -> String {
        match self {
            Medium::Tiles(paper) | Medium::Sheets(paper) => format!("sheets-{}", paper.name.to_lowercase()),
            Medium::Roll(width) if width.is_in_inches() => format!("roll-{width}"),
            Medium::Roll(width) => format!("roll-{}cm", width.mm() / 10.0),
            Medium::PagePerPiece => "pages".into(),
            Medium::Projector => "projector".into(),
        }
    }
}

impl FromStr for Medium {
    type Err = Refusal;

    /// A paper's name, a roll's width with its unit, `pages` or `projector`.
    fn from_str(typed: &str) -> Result<Self, Refusal> {
        let text = typed.trim().to_ascii_lowercase();
        match text.as_str() {
            "pages" => return Ok(Medium::PagePerPiece),
            "projector" => return Ok(Medium::Projector),
            _ => {}
        }
        if let Ok(paper) = text.parse::<Paper>() {
            let large = paper.width_mm > 400.0;
            return Ok(if large { Medium::Sheets(paper) } else { Medium::Tiles(paper) });
        }
        match text.parse::<Length>() {
            Ok(width) if (200.0..=3000.0).contains(&width.mm()) => Ok(Medium::Roll(width)),
            Ok(width) => Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("a roll {width} wide is not known"),
                "rolls are between 20 cm and 3 m wide, such as 36in or 60cm",
            )),
            Err(_) => {
                let names: Vec<&str> = Paper::ALL.iter().map(|p| p.name).collect();
                Err(Refusal::new(
                    RefusalKind::BadRequest,
                    format!("there is no paper called \"{typed}\""),
                    format!(
                        "choose one of {}, a roll's width such as 36in or 60cm, pages, or projector",
                        names.join(", ")
                    ),
                ))
            }
        }
    }
}

/// What is wanted beside the medium.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PrintOptions {
    /// What the printer leaves white, mm; `None`: the usual margin.
    pub margin_mm: Option<f64>,
    /// Only these tiles, by their labels.
    pub tiles: Option<Vec<String>>,
}

/// A PDF made.
#[derive(Debug, Clone, PartialEq)]
pub struct Printed {
    /// Name of its file.
    pub name: String,
    /// The file.
    pub bytes: Vec<u8>,
    /// Pages in it.
    pub pages: usize,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// A pattern laid out on a medium.
enum LaidOut {
    /// Spread over sheets to be joined.
    Tiles { drawing: Drawing, plan: TilePlan, sheet: TileSheet },
    /// Every piece whole.
    Whole(Vec<Drawing>),
}

/// Lays a pattern out; large sheets are joined ones where a piece is larger than they are.
fn laid_out(pattern: &Pattern, medium: &Medium, options: &PrintOptions) -> Result<(LaidOut, Vec<Warning>), Refusal> {
    let margin_mm = options.margin_mm.unwrap_or(PAPER_MARGIN_MM);
    let tiled = |paper: Paper| -> Result<LaidOut, Refusal> {
        let sheet = TileSheet { paper, margin_mm };
        let (drawing, plan) = arrange::tiled(pattern, &sheet)?;
        Ok(LaidOut::Tiles { drawing, plan, sheet })
    };
    let whole = |drawings: Vec<Drawing>| Ok((LaidOut::Whole(drawings), Vec::new()));
    match medium {
        Medium::Tiles(paper) => {
            let text = format!(
                "a margin of {margin_mm} mm is less than many printers clip: check that the frame prints whole"
            );
            let clips = (margin_mm < PAPER_MARGIN_MM - 5.0).then(|| Warning::new("small-margin", text));
            Ok((tiled(*paper)?, clips.into_iter().collect()))
        }
        Medium::Sheets(paper) => match arrange::on_sheets(pattern, *paper, margin_mm) {
            Err(refusal) if refusal.kind == RefusalKind::DoesNotFit => {
                let text = format!("{}: the pieces were spread over sheets to be joined", refusal.seen);
                Ok((tiled(*paper)?, vec![Warning::new("tiled-large", text)]))
            }
            sheets => whole(sheets?),
        },
        Medium::Roll(width) => {
            let margin_mm = options.margin_mm.unwrap_or(ROLL_MARGIN_MM);
            whole(vec![arrange::on_roll(pattern, width.mm(), margin_mm)?])
        }
        Medium::PagePerPiece => whole(arrange::one_each(pattern)),
        Medium::Projector => whole(projector::pages(pattern).into()),
    }
}

/// Makes the PDF for a medium.
///
/// # Errors
/// Those of [`arrange`], [`tiles::plan`] and [`pdf`]; [`RefusalKind::BadRequest`] for tiles of a medium that has none.
pub fn print(pattern: &Pattern, medium: &Medium, options: &PrintOptions) -> Result<Printed, Refusal> {
    if options.tiles.is_some() && !matches!(medium, Medium::Tiles(_)) {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            "single sheets were asked for, but this paper has none to choose",
            "choose single sheets with A4, Letter, A3, Tabloid or Legal",
        ));
    }
    let title = pdf::title(pattern);
    let (laid_out, warnings) = laid_out(pattern, medium, options)?;
    let (bytes, pages) = match laid_out {
        LaidOut::Tiles { drawing, plan, sheet } => {
            let chosen = options.tiles.as_deref();
            let count = tiles::chosen(&plan, chosen)?.len();
            (pdf::tiles(&title, &drawing, &plan, &sheet, chosen)?, count + 1)
        }
        LaidOut::Whole(drawings) => (pdf::pages(&title, &drawings)?, drawings.len()),
    };
    Ok(Printed { name: format!("{}.pdf", medium.stem()), bytes, pages, warnings })
}

/// Every page of [`print`] as an SVG document, for looking at.
///
/// # Errors
/// As [`print`].
pub fn preview(
    pattern: &Pattern,
    medium: &Medium,
    options: &PrintOptions,
) -> Result<(Vec<String>, Vec<Warning>), Refusal> {
    let title = pdf::title(pattern);
    let (laid_out, warnings) = laid_out(pattern, medium, options)?;
    let pages = match laid_out {
        LaidOut::Tiles { drawing, plan, sheet } => pdf::tile_pictures(&title, &drawing, &plan, &sheet)?,
        LaidOut::Whole(drawings) => {
            let named = |(i, d): (usize, &Drawing)| svg::document_with_ids(d, &title, &format!("p{i}-"));
            drawings.iter().enumerate().map(named).collect()
        }
    };
    Ok((pages, warnings))
}

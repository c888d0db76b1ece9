//! What can be typed.

use std::path::PathBuf;
use std::str::FromStr;

use clap::{Args, Parser, Subcommand};
use clothline::cloths::{CLOTHS, Cloth, MOST_LAYERS};
use clothline::draft::PieceOptions;
use clothline::edges::FoldChoice;
use clothline::marks::MarkColour;
use clothline::measure::References;
use clothline::seams::request::{EdgeAllowance, EdgeName, NotchRequest};
use clothline::sheets::tiles::Paper;
use clothline::trace::ThicknessChoice;
use clothline::units::Length;

use super::lay::LayArgs;
use super::make::MakeArgs;
use super::sheets::SheetsArgs;

/// From photos of a folded garment on a gridded mat to a true-size sewing pattern.
#[derive(Debug, Parser)]
#[command(
    version,
    after_help = "To begin, photograph the folded garment on a gridded mat, then either
  clothline open my-first-set                          (the whole job, in the browser)
  clothline trace tee.jpg --grid 1in --out tee         (one piece, from one command)

Exit status: 0 done; 2 wrong usage; 3 refused, with the reason and what to do; 4 a file could not be read or written."
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Trace the garment in a photo and make its pattern piece.
    #[command(after_help = "Examples:
  clothline trace tee.jpg --grid 1in --out tee
  clothline trace tee.jpg --grid 1cm --thickness 3mm --fold 4 --edge-allowance 1=1in --out tee
  clothline trace hoodie.jpg --grid 1in --layers 4 --cloth sweatshirt --out hoodie
  clothline trace black.jpg --grid 1cm --bare mat-alone.jpg --out black
  clothline trace upper.jpg lower.jpg --grid 1cm --out trousers     (one long garment)
  clothline trace upper.jpg lower.jpg --card 80mm --out trousers    (among printed cards)
  clothline trace skirt.jpg --grid 1cm --marks red --out skirt      (stickers on a seam)
  clothline trace tee.jpg --mat attic --out tee                     (a mat measured once)
  clothline trace tee.jpg --grid 1in --measured 20=507mm --out tee
  clothline trace tee.jpg --ruler 450mm --ruler 450mm --out tee     (no mat: rulers as an L)
  clothline trace tee.jpg --card 80mm --out tee                     (no mat: printed cards)
  clothline trace tee.jpg --grid 1in --card 80mm --out tee          (a card checks the mat)

Look at overlay.jpg in the folder first: is every edge where the garment ends?")]
    Trace(Box<TraceArgs>),
    /// Say whether a photo is good enough, and what to change if not.
    #[command(after_help = "Examples:
  clothline check tee.jpg --grid 1in
  clothline check tee.jpg --grid 1cm --json
  clothline check sleeve.jpg --ruler 450mm

Exit status: 0 good enough (it may still say how to do better), 3 not.")]
    Check(CheckArgs),
    /// Learn a camera's lens from three or more photos of a mat, grid sheet or chessboard, tilted different ways.
    #[command(after_help = "Examples:
  clothline calibrate a.jpg b.jpg c.jpg d.jpg --grid 1cm
  clothline calibrate board*.jpg --grid 25mm --name attic-camera --calibration my-calibration

The profile goes into calibration/lenses; trace picks it up for photos of the same camera, lens and size.")]
    Calibrate(CalibrateArgs),
    /// Add seam allowances and marks to an outline from anywhere.
    #[command(after_help = "Examples:
  clothline seam tee/outline.json --allowance 1/2in --out tee2
  clothline seam drawn.json --allowance 1cm --fold 2 --edge-allowance 1=3cm --notch 3@10cm:double --out drawn

The least an outline file holds: {\"units\": \"mm\", \"outline\": [[0, 0], [200, 0], [200, 300]]}")]
    Seam(SeamArgs),
    /// Draw reference cards and a grid sheet to print, for photos without a mat.
    #[command(after_help = "Examples:
  clothline targets --out cards
  clothline targets --card 80mm --count 8 --paper Letter --grid 1/2in --out cards

Print at 100 %, measure a black square with a steel rule, lay three or more cards (better five) flat around the garment, \
                    and give what you measured: clothline trace tee.jpg --card 79.4mm --out tee")]
    Targets(TargetsArgs),
    /// Make everything that follows from a pattern set: fitted pieces, sheets, files, lay plan, make sheet, report.
    #[command(after_help = "Examples:
  clothline make tee --paper a4 --width 150cm
  clothline make tee --true --only sheets,dxf
  clothline make trousers --variation shorts --paper letter
  clothline make tee --with allowances.hem=2in --with sleeve.draw=half --piece sleeve

A set is a folder with set.json, which says what the pieces are and what is wanted of them, and the photos. Traced \
                    outlines are kept in pieces, everything derived goes into out. The page (clothline open) writes such a \
                    folder.")]
    Make(MakeArgs),
    /// Put finished pieces out: tiles, large sheets, rolls, projector; SVG, DXF, PNG, JSON; make sheet, report, lay plan.
    #[command(after_help = "Examples:
  clothline sheets tee/pattern.json --paper a4 --out print
  clothline sheets front back sleeve --paper a0,36in,projector --out print
  clothline sheets tee/pattern.json --paper letter --tile A1,B1 --printer-margin 12mm --out again
  clothline sheets front back sleeve --only makesheet,report,lay --width 150cm --title \"Weekend tee\" --out print")]
    Sheets(SheetsArgs),
    /// Plan how the pieces lie on the cloth, and how much of it to buy.
    #[command(after_help = "Examples:
  clothline lay front back sleeve --cut sleeve=2 --pairs --width 150cm --out plan
  clothline lay tee --width 150cm,115cm --doubled --nap
  clothline lay tee --fabric neckband=rib --width 150cm,rib=70cm --out plan")]
    Lay(LayArgs),
    /// Open the page in which a set is made, reviewed and corrected, in the browser.
    #[command(after_help = "Examples:
  clothline open weekend-tee
  clothline open weekend-tee --port 8123 --no-browser

SET is a folder; it is made if it is not there. The page is served to this computer only, under an address with a key in \
                    it that changes every time. Ctrl-C ends it; everything is saved as soon as it is done.")]
    Open(OpenArgs),
}

/// `clothline open`.
#[derive(Debug, Args)]
pub struct OpenArgs {
    /// The set's folder (made if it is not there).
    pub set: PathBuf,

    /// Port to serve the page at; otherwise any that is free.
    #[arg(long, value_name = "NUMBER", default_value_t = 0, hide_default_value = true)]
    pub port: u16,

    /// Say the address, but do not open the browser.
    #[arg(long)]
    pub no_browser: bool,
}

/// `clothline trace`.
#[derive(Debug, Args)]
pub struct TraceArgs {
    /// The photo (JPEG, PNG, TIFF, WebP, and HEIC if built in; - reads it from standard input); of a long garment several that overlap.
    #[arg(required = true, value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,

    /// Printed distance between the mat's lines, such as 1in, 1cm, 25.4mm, 300mm.
    #[arg(long, value_name = "LENGTH", value_parser = some_length)]
    pub grid: Option<Length>,

    /// A mat measured once: a name in calibration/mats, or a file.
    #[arg(long, value_name = "NAME", conflicts_with_all = ["grid", "measured"])]
    pub mat: Option<String>,

    /// Folder of lens profiles (made by calibrate) instead of calibration; one for this camera is used by itself.
    #[arg(long, value_name = "FOLDER")]
    pub calibration: Option<PathBuf>,

    /// Find round stickers or pin heads of this colour on the cloth: red, orange, yellow, green, blue, purple or pink.
    #[arg(long, value_name = "COLOUR", value_parser = typed::<MarkColour>)]
    pub marks: Option<MarkColour>,

    /// So many squares of this mat measure so much by a steel tape, such as 20=507mm.
    #[arg(long, value_name = "SQUARES=LENGTH", value_parser = squares)]
    pub measured: Option<(u32, Length)>,

    /// How far an unmeasured mat's print may be off, in per cent.
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    pub mat_doubt: Option<f64>,

    /// What lies beside the garment.
    #[command(flatten)]
    pub references: ReferenceArgs,

    /// Height of the folded garment above the mat.
    #[arg(long, value_name = "LENGTH", value_parser = height, conflicts_with_all = ["layers", "cloth"])]
    pub thickness: Option<Length>,

    /// Layers of cloth that lie on each other, with --cloth, instead of --thickness.
    #[arg(long, value_name = "COUNT", requires = "cloth", value_parser = clap::value_parser!(u32).range(1..=i64::from(MOST_LAYERS)))]
    pub layers: Option<u32>,

    /// The cloth of those layers, such as jersey, denim or sweatshirt (a wrong name lists them all).
    #[arg(long, value_name = "CLOTH", requires = "layers", value_parser = cloth)]
    pub cloth: Option<Cloth>,

    /// A photo of the same mat without the garment, from about the same place: tells cloth from a mat of its colour.
    #[arg(long, value_name = "PHOTO")]
    pub bare: Option<PathBuf>,

    /// Write a picture and the time of every stage into this folder.
    #[arg(long, value_name = "FOLDER")]
    pub debug: Option<PathBuf>,

    /// What the pattern piece gets.
    #[command(flatten)]
    pub piece: PieceArgs,

    /// Where the results go and how they are told.
    #[command(flatten)]
    pub output: OutputArgs,
}

impl TraceArgs {
    /// What is said of the garment's height.
    pub fn thickness(&self) -> ThicknessChoice {
        match (self.thickness, self.layers, self.cloth) {
            (Some(measured), _, _) => ThicknessChoice::Measured(measured.mm()),
            (None, Some(layers), Some(cloth)) => ThicknessChoice::Layers(layers, cloth),
            _ => ThicknessChoice::Unknown,
        }
    }
}

/// What of known size lies in the photo besides a mat.
#[derive(Debug, Args)]
#[command(next_help_heading = "Other references")]
pub struct ReferenceArgs {
    /// Side of the black square of the printed cards (`clothline targets`) as it came out of the printer, such as 80mm.
    #[arg(long, value_name = "LENGTH", value_parser = some_length)]
    pub card: Option<Length>,

    /// Length of a ruler in the photo, in the unit of its ticks, such as 450mm, 18in or 1m; once for two like rulers.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub ruler: Vec<Length>,

    /// A sheet of standard paper lies beside the garment: a4, letter (cut to 2 mm only, so the doubt is larger).
    #[arg(long, value_name = "PAPER", value_parser = typed::<Paper>)]
    pub sheet: Option<Paper>,

    /// A bank or identity card (85.60 x 53.98 mm) lies beside the garment: best with another reference.
    #[arg(long)]
    pub id_card: bool,

    /// How high the face of rulers or cards lies above the table (rulers: 1 mm is assumed).
    #[arg(long, value_name = "LENGTH", value_parser = height)]
    pub reference_height: Option<Length>,
}

impl ReferenceArgs {
    /// As the library wants it.
    pub fn all(&self) -> References {
        References {
            card_mm: self.card.map(Length::mm),
            rulers: self.ruler.clone(),
            sheet: self.sheet,
            id_card: self.id_card,
            height_mm: self.reference_height.map(Length::mm),
        }
    }
}

/// `clothline check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The photo (- reads it from standard input).
    pub photo: PathBuf,

    /// Printed distance between the mat's lines, such as 1in or 1cm.
    #[arg(long, value_name = "LENGTH", value_parser = some_length)]
    pub grid: Option<Length>,

    /// Print what was found as JSON on standard output.
    #[arg(long)]
    pub json: bool,

    /// Say nothing unless something is wrong.
    #[arg(short, long)]
    pub quiet: bool,

    /// What lies beside the garment.
    #[command(flatten)]
    pub references: ReferenceArgs,
}

/// `clothline calibrate`.
#[derive(Debug, Args)]
pub struct CalibrateArgs {
    /// Photos of one flat mat, grid sheet or chessboard by one camera, tilted different ways.
    #[arg(required = true, value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,

    /// Printed distance between the lines, or side of the squares, such as 1cm or 25mm.
    #[arg(long, value_name = "LENGTH", value_parser = some_length)]
    pub grid: Length,

    /// Name of the profile; otherwise the camera's own.
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,

    /// Folder to keep the profile in.
    #[arg(long, value_name = "FOLDER", default_value = "calibration")]
    pub calibration: PathBuf,

    /// Print what was found as JSON on standard output.
    #[arg(long)]
    pub json: bool,

    /// Say nothing unless something is wrong.
    #[arg(short, long)]
    pub quiet: bool,
}

/// `clothline seam`.
#[derive(Debug, Args)]
pub struct SeamArgs {
    /// The outline (JSON; - reads it from standard input).
    pub outline: PathBuf,

    /// What the pattern piece gets.
    #[command(flatten)]
    pub piece: PieceArgs,

    /// Where the results go and how they are told.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// `clothline targets`.
#[derive(Debug, Args)]
pub struct TargetsArgs {
    /// Side of a card's black square.
    #[arg(long, value_name = "LENGTH", default_value = "80mm", value_parser = some_length)]
    pub card: Length,

    /// How many cards.
    #[arg(long, value_name = "COUNT", default_value_t = 6, value_parser = clap::value_parser!(u32).range(1..=60))]
    pub count: u32,

    /// Number of the first card.
    #[arg(long, value_name = "NUMBER", default_value_t = 0, value_parser = clap::value_parser!(u32).range(0..=586))]
    pub first: u32,

    /// Distance between the grid sheet's lines.
    #[arg(long, value_name = "LENGTH", default_value = "1cm", value_parser = some_length)]
    pub grid: Length,

    /// Paper: A4, Letter, A3, Tabloid, Legal, A2, A1 or A0.
    #[arg(long, value_name = "PAPER", default_value = "A4", value_parser = typed::<Paper>)]
    pub paper: Paper,

    /// Folder for the results (made if it is not there).
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,

    /// Print what was written as JSON on standard output.
    #[arg(long)]
    pub json: bool,

    /// Say nothing unless something is wrong.
    #[arg(short, long)]
    pub quiet: bool,
}

/// Seam allowance, fold and marks.
#[derive(Debug, Args)]
#[command(next_help_heading = "Pattern piece")]
pub struct PieceArgs {
    /// Seam allowance on every edge but the fold.
    #[arg(long, value_name = "LENGTH", default_value = "1/2in", value_parser = length)]
    pub allowance: Length,

    /// Another allowance for one edge, such as 1=1in (edges are numbered in the overlay picture).
    #[arg(long, value_name = "EDGE=LENGTH", value_parser = typed::<EdgeAllowance>)]
    pub edge_allowance: Vec<EdgeAllowance>,

    /// A name for one edge, such as 1=hem.
    #[arg(long, value_name = "EDGE=NAME", value_parser = typed::<EdgeName>)]
    pub edge_name: Vec<EdgeName>,

    /// The edge on the fold: its number, auto (guess) or none.
    #[arg(long, value_name = "EDGE", default_value = "auto", value_parser = fold)]
    pub fold: FoldChoice,

    /// A notch: EDGE@PLACE, such as 2@13in, 2@middle or 3@10cm:double:from-end.
    #[arg(long, value_name = "NOTCH", value_parser = typed::<NotchRequest>)]
    pub notch: Vec<NotchRequest>,

    /// Name of the piece, printed on it.
    #[arg(long, value_name = "TEXT", default_value = "Piece")]
    pub name: String,

    /// Size, or the person it is for, printed on it.
    #[arg(long, value_name = "TEXT")]
    pub size: Option<String>,

    /// How many to cut.
    #[arg(long, value_name = "COUNT", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=99))]
    pub cut: u32,
}

impl PieceArgs {
    /// As the library wants it.
    pub fn options(&self) -> PieceOptions {
        PieceOptions {
            name: self.name.clone(),
            size: self.size.clone(),
            cut_count: self.cut,
            fold: self.fold,
            allowance: self.allowance,
            edge_allowances: self.edge_allowance.clone(),
            edge_names: self.edge_name.clone(),
            notches: self.notch.clone(),
            ..PieceOptions::default()
        }
    }
}

/// Where results go.
#[derive(Debug, Args)]
#[command(next_help_heading = "Output")]
pub struct OutputArgs {
    /// Folder for the results (made if it is not there).
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,

    /// Paper of the printed pages: A4, Letter, A3, Tabloid, Legal, A2, A1 or A0.
    #[arg(long, value_name = "PAPER", default_value = "A4", value_parser = typed::<Paper>)]
    pub paper: Paper,

    /// Print what was found as JSON on standard output.
    #[arg(long)]
    pub json: bool,

    /// Say nothing unless something is wrong.
    #[arg(short, long)]
    pub quiet: bool,
}

impl Command {
    /// Is the outcome wanted as JSON?
    pub fn wants_json(&self) -> bool {
        match self {
            Self::Trace(args) => args.output.json,
            Self::Check(args) => args.json,
            Self::Calibrate(args) => args.json,
            Self::Seam(args) => args.output.json,
            Self::Targets(args) => args.json,
            Self::Make(args) => args.json,
            Self::Sheets(args) => args.json,
            Self::Lay(args) => args.json,
            Self::Open(_) => false,
        }
    }
}

pub(super) fn typed<T: FromStr<Err: std::fmt::Display>>(text: &str) -> Result<T, String> {
    text.parse().map_err(|e: T::Err| e.to_string())
}

fn fold(text: &str) -> Result<FoldChoice, String> {
    match text.trim() {
        "auto" => Ok(FoldChoice::Auto),
        "none" => Ok(FoldChoice::None),
        number => number
            .parse()
            .map(FoldChoice::Edge)
            .map_err(|_| format!("\"{text}\" is not an edge: give its number, auto or none")),
    }
}

pub(super) fn length(typed: &str) -> Result<Length, String> {
    typed.parse().map_err(|e: clothline::units::LengthError| e.to_string())
}

/// How high something lies above the table.
fn height(typed: &str) -> Result<Length, String> {
    let height = length(typed)?;
    ThicknessChoice::measured(height).map(|_| height).map_err(|e| e.to_string())
}

/// A length of at least 1 mm and at most 2 m: no grid is finer or wider.
fn some_length(typed: &str) -> Result<Length, String> {
    let length = length(typed)?;
    if (1.0..=2000.0).contains(&length.mm()) {
        Ok(length)
    } else {
        Err(format!("\"{typed}\" cannot be the distance between two lines of a mat: write it such as 1in or 1cm"))
    }
}

fn cloth(typed: &str) -> Result<Cloth, String> {
    let names = || CLOTHS.iter().map(|cloth| cloth.name).collect::<Vec<_>>().join(", ");
    Cloth::named(typed).ok_or_else(|| format!("\"{typed}\" is not in the table of cloths: {}", names()))
}

fn squares(typed: &str) -> Result<(u32, Length), String> {
    let wrong = || format!("\"{typed}\" is not SQUARES=LENGTH, such as 20=507mm");
    let (count, measured) = typed.split_once('=').ok_or_else(wrong)?;
    Ok((count.trim().parse().map_err(|_| wrong())?, length(measured)?))
}

fn percent(typed: &str) -> Result<f64, String> {
    match typed.trim().trim_end_matches('%').trim().parse::<f64>() {
        Ok(value) if (0.0..=5.0).contains(&value) => Ok(value),
        _ => Err(format!("\"{typed}\" is not a per cent between 0 and 5, such as 0.3")),
    }
}

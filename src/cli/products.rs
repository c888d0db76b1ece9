//! Everything made of finished pieces, kind by kind; what has not changed is left as it is.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::Args;
use clothline::fingerprint::Fingerprint;
use clothline::lay::{Bolt, LayPlan};
use clothline::makesheet;
use clothline::pattern_file::{self, Pattern};
use clothline::report::{self, Source};
use clothline::sheets::medium::{self, Medium, PrintOptions};
use clothline::sheets::tiles::Paper;
use clothline::sheets::{drawing, dxf, pdf, png, svg};
use clothline::units::Length;
use clothline::{Refusal, RefusalKind, Warning};
use serde::{Deserialize, Serialize};

use super::args::{length, typed};
use super::files::Batch;
use super::lay::{self, ClothArgs};

/// Keeps what every kind was made from.
const MADE: &str = ".made.json";

/// What to make, and on what.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Sheets")]
pub struct ProductArgs {
    /// What to print on: A4, Letter, A3, Tabloid, Legal (tiles); A2, A1, A0 (whole pieces); a roll's width such as 36in
    /// or 60cm; pages (one a piece); projector. Several with commas.
    #[arg(long, value_name = "PAPER", default_value = "A4", value_delimiter = ',', value_parser = typed::<Medium>)]
    pub paper: Vec<Medium>,

    /// Only these tiles, by the label on each sheet, such as A1,B2.
    #[arg(long, value_name = "TILE", value_delimiter = ',')]
    pub tile: Vec<String>,

    /// What the printer leaves white at each edge of the paper (10mm unless given).
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub printer_margin: Option<Length>,

    /// Only some kinds of file. Several with commas.
    #[arg(long, value_name = "KIND", value_delimiter = ',')]
    pub only: Vec<Kind>,

    /// The cloth, for the lay plan.
    #[command(flatten)]
    pub cloth: ClothArgs,
}

/// Kinds of file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Kind {
    /// Printed sheets (PDF).
    #[value(alias = "pdf")]
    Sheets,
    /// True-size drawing with named layers.
    Svg,
    /// For pattern programs (ASTM D6673) and cutters.
    Dxf,
    /// A picture for a quick look.
    Png,
    /// The pieces' data.
    Json,
    /// Lay plans (with --width).
    Lay,
    /// The make sheet, PDF and HTML.
    Makesheet,
    /// One HTML page with pictures, doubts and checks.
    Report,
}

impl Kind {
    const ALL: [Kind; 8] =
        [Kind::Json, Kind::Svg, Kind::Png, Kind::Dxf, Kind::Sheets, Kind::Lay, Kind::Makesheet, Kind::Report];

    fn name(self) -> &'static str {
        match self {
            Kind::Sheets => "sheets",
            Kind::Svg => "svg",
            Kind::Dxf => "dxf",
            Kind::Png => "png",
            Kind::Json => "json",
            Kind::Lay => "lay",
            Kind::Makesheet => "makesheet",
            Kind::Report => "report",
        }
    }
}

/// What the products are made from.
pub struct Ingredients<'a> {
    /// Name of the set or of the pieces.
    pub title: &'a str,
    /// The pieces.
    pub pattern: &'a Pattern,
    /// Photos, for the report.
    pub sources: &'a [Source],
    /// Finished measurements, for the make sheet.
    pub finished: Vec<makesheet::Measure>,
    /// Checks made elsewhere, for the report.
    pub checks: Vec<report::Check>,
    /// The cloth to cut from, where no width is typed.
    pub cloth: &'a [Bolt],
}

/// What was made.
#[derive(Default)]
pub struct Made {
    /// Files to write, `.made.json` among them.
    pub batch: Batch,
    /// Names of the kinds left as they were.
    pub unchanged: Vec<&'static str>,
    /// PDFs of sheets and their pages.
    pub printed: Vec<(String, usize)>,
    /// Lay plans made now.
    pub plans: Vec<LayPlan>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

#[derive(Default, Serialize, Deserialize)]
struct Kept {
    kinds: BTreeMap<String, Entry>,
}

#[derive(Serialize, Deserialize)]
struct Entry {
    from: String,
    files: Vec<PathBuf>,
}

/// Makes what is asked for and has changed since it was last made into `folder`; `stage` is told each kind's name.
///
/// # Errors
/// Those of the writers and planners.
pub fn make(
    folder: &Path,
    from: &Ingredients<'_>,
    args: &ProductArgs,
    quiet: bool,
    stage: &mut dyn FnMut(&'static str),
) -> Result<Made, Refusal> {
    if args.only.contains(&Kind::Lay) && !has_width(from, args) {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            "a lay plan was asked for without the cloth's width",
            "add --width 150cm",
        ));
    }
    // A file of another version, or none, only means that everything is made again.
    let kept: Kept =
        std::fs::read(folder.join(MADE)).ok().and_then(|b| serde_json::from_slice(&b).ok()).unwrap_or_default();
    let mut next = Kept::default();
    let mut made = Made::default();
    let data = pattern_file::write(from.pattern)?;
    for kind in Kind::ALL {
        let wanted =
            if args.only.is_empty() { kind != Kind::Lay || has_width(from, args) } else { args.only.contains(&kind) };
        let old = kept.kinds.get(kind.name());
        if !wanted {
            next.kinds
                .extend(old.map(|e| (kind.name().to_string(), Entry { from: e.from.clone(), files: e.files.clone() })));
            continue;
        }
        let key = key(kind, &data, from, args);
        if let Some(entry) = old.filter(|e| e.from == key && e.files.iter().all(|f| folder.join(f).is_file())) {
            next.kinds.insert(kind.name().into(), Entry { from: key, files: entry.files.clone() });
            made.unchanged.push(kind.name());
            continue;
        }
        stage(kind.name());
        let before = made.batch.names().count();
        one(kind, from, args, quiet, &data, &mut made)?;
        let files = made.batch.names().skip(before).map(Path::to_path_buf).collect();
        next.kinds.insert(kind.name().into(), Entry { from: key, files });
    }
    let text = serde_json::to_string_pretty(&next).unwrap_or_default() + "\n";
    made.batch.add(MADE, text.into_bytes());
    Ok(made)
}

/// Is it known how wide the cloth is?
fn has_width(from: &Ingredients<'_>, args: &ProductArgs) -> bool {
    !args.cloth.width.is_empty() || !from.cloth.is_empty()
}

/// Tells one making from another: program, kind, pieces and what was asked.
fn key(kind: Kind, data: &str, from: &Ingredients<'_>, args: &ProductArgs) -> String {
    let asked = match kind {
        Kind::Sheets => format!("{:?} {:?} {:?}", args.paper, args.tile, args.printer_margin),
        Kind::Lay | Kind::Makesheet => {
            format!("{:?} {:?} {:?} {:?}", args.cloth, from.cloth, args.paper, from.finished)
        }
        Kind::Report => format!("{:?} {:?}", from.sources, from.checks),
        _ => String::new(),
    };
    let all = format!("{} {} {} {asked} {data}", env!("CARGO_PKG_VERSION"), kind.name(), from.title);
    format!("{}-{}", all.len(), Fingerprint::of(&all))
}

fn one(
    kind: Kind,
    from: &Ingredients<'_>,
    args: &ProductArgs,
    quiet: bool,
    data: &str,
    made: &mut Made,
) -> Result<(), Refusal> {
    let pattern = from.pattern;
    match kind {
        Kind::Sheets => {
            let tiles = (!args.tile.is_empty()).then(|| args.tile.clone());
            let options = PrintOptions { margin_mm: args.printer_margin.map(Length::mm), tiles };
            for medium in &args.paper {
                let printed = medium::print(pattern, medium, &options)?;
                made.batch.add(printed.name.clone(), printed.bytes);
                made.printed.push((printed.name, printed.pages));
                made.warnings.extend(printed.warnings);
            }
        }
        Kind::Svg => made.batch.add("pattern.svg", svg::write(pattern).into_bytes()),
        Kind::Dxf => {
            made.batch.add("pattern-astm-mm.dxf", dxf::write(pattern)?.into_bytes());
            made.batch.add("cutter-mm.dxf", dxf::write_cutter(pattern)?.into_bytes());
        }
        Kind::Png => made.batch.add("preview.png", png::write(&drawing::pieces(pattern))?),
        Kind::Json => made.batch.add("pattern.json", data.as_bytes().to_vec()),
        Kind::Lay => {
            let plans = plans(from, args, quiet, made)?;
            lay::add_files(&mut made.batch, &plans)?;
        }
        Kind::Makesheet => {
            let plans = if has_width(from, args) { plans(from, args, quiet, made)? } else { Vec::new() };
            let mut sheet = makesheet::of(from.title, pattern, &plans);
            sheet.finished = from.finished.clone();
            let paper = args.paper.iter().find_map(|m| match m {
                Medium::Tiles(paper) => Some(*paper),
                _ => None,
            });
            let page = makesheet::draw(&sheet, pattern, paper.unwrap_or(Paper::A4));
            made.batch.add("makesheet.pdf", pdf::pages(&format!("Make sheet: {}", from.title), &[page])?);
            made.batch.add("makesheet.html", makesheet::html(&sheet, pattern).into_bytes());
        }
        Kind::Report => {
            made.batch.add("report.html", report::html(from.title, pattern, from.sources, &from.checks).into_bytes());
        }
    }
    Ok(())
}

/// The lay plans, made once.
fn plans(from: &Ingredients<'_>, args: &ProductArgs, quiet: bool, made: &mut Made) -> Result<Vec<LayPlan>, Refusal> {
    if made.plans.is_empty() {
        made.plans = lay::plans(from.pattern, &args.cloth, from.cloth, quiet)?;
        made.warnings.extend(made.plans.iter().flat_map(|p| p.warnings.clone()));
    }
    Ok(made.plans.clone())
}

//! What can be typed.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use clothline::units::Length;

/// From one photo of a folded garment on a gridded mat to a true-size sewing pattern.
#[derive(Debug, Parser)]
#[command(
    version,
    after_help = "Exit status: 0 done; 2 wrong usage; 3 refused, with the reason and what to do; 4 a file could not be \
                  read or written."
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
  clothline trace tee.jpg --mat attic --out tee        (a mat measured once, see calibration/mats)
  clothline trace tee.jpg --grid 1in --measured 20=507mm --out tee")]
    Trace(TraceArgs),
    /// Add seam allowances and marks to an outline from anywhere.
    #[command(after_help = "Examples:
  clothline seam tee/outline.json --allowance 1/2in --out tee2
  clothline seam drawn.json --allowance 1cm --fold 2 --edge-allowance 1=3cm --notch 3@10cm:double --out drawn

The least an outline file holds: {\"units\": \"mm\", \"outline\": [[0, 0], [200, 0], [200, 300]]}")]
    Seam(SeamArgs),
}

/// `clothline trace`.
#[derive(Debug, Args)]
pub struct TraceArgs {
    /// The photo (JPEG, PNG, TIFF or WebP; - reads it from standard input).
    pub photo: PathBuf,

    /// Printed distance between the mat's lines, such as 1in, 1cm, 25.4mm, 300mm.
    #[arg(long, value_name = "LENGTH", value_parser = some_length, required_unless_present = "mat")]
    pub grid: Option<Length>,

    /// A mat measured once: a name in calibration/mats, or a file.
    #[arg(long, value_name = "NAME", conflicts_with_all = ["grid", "measured"])]
    pub mat: Option<String>,

    /// So many squares of this mat measure so much by a steel tape, such as 20=507mm.
    #[arg(long, value_name = "SQUARES=LENGTH", value_parser = squares)]
    pub measured: Option<(u32, Length)>,

    /// How far an unmeasured mat's print may be off, in per cent.
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    pub mat_doubt: Option<f64>,

    /// Height of the folded garment above the mat.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub thickness: Option<Length>,

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

/// Seam allowance, fold and marks.
#[derive(Debug, Args)]
#[command(next_help_heading = "Pattern piece")]
pub struct PieceArgs {
    /// Seam allowance on every edge but the fold.
    #[arg(long, value_name = "LENGTH", default_value = "1/2in", value_parser = length)]
    pub allowance: Length,

    /// Another allowance for one edge, such as 1=1in (edges are numbered in the overlay picture).
    #[arg(long, value_name = "EDGE=LENGTH")]
    pub edge_allowance: Vec<String>,

    /// The edge on the fold: its number, auto (guess) or none.
    #[arg(long, value_name = "EDGE", default_value = "auto")]
    pub fold: String,

    /// A notch: EDGE@DISTANCE[:double][:from-end], such as 3@10cm:double.
    #[arg(long, value_name = "NOTCH")]
    pub notch: Vec<String>,

    /// Name of the piece, printed on it.
    #[arg(long, value_name = "TEXT", default_value = "Piece")]
    pub name: String,
}

/// Where results go.
#[derive(Debug, Args)]
#[command(next_help_heading = "Output")]
pub struct OutputArgs {
    /// Folder for the results (made if it is not there).
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,

    /// Paper of the printed pages.
    #[arg(long, value_enum, default_value_t = PaperArg::A4)]
    pub paper: PaperArg,

    /// Print what was found as JSON on standard output.
    #[arg(long)]
    pub json: bool,

    /// Say nothing unless something is wrong.
    #[arg(short, long)]
    pub quiet: bool,
}

/// Papers for the printed pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PaperArg {
    /// 210 x 297 mm
    A4,
    /// 8 1/2 x 11 in
    Letter,
}

fn length(typed: &str) -> Result<Length, String> {
    typed.parse().map_err(|e: clothline::units::LengthError| e.to_string())
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

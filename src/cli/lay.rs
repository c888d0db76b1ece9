//! `clothline lay`: how much cloth to buy, and how the pieces lie on it.

use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use clap::Args;
use clothline::lay::copies::CutPiece;
use clothline::lay::{self, Bolt, Cloth, LayPlan, picture};
use clothline::pattern_file::Pattern;
use clothline::sheets::{pdf, png, svg};
use clothline::units::Length;
use clothline::{Refusal, RefusalKind};

use super::args::{length, typed};
use super::files::{self, Batch};
use super::source;

/// `clothline lay`.
#[derive(Debug, Args)]
pub struct LayArgs {
    /// Finished pieces: pattern.json files or set folders (- reads one from standard input).
    #[arg(required = true)]
    pub patterns: Vec<PathBuf>,

    /// How the cloth lies and how long to search.
    #[command(flatten)]
    pub cloth: ClothArgs,

    /// Cut numbers, such as sleeve=2.
    #[arg(long, value_name = "PIECE=COUNT", value_parser = typed::<Named>)]
    pub cut: Vec<Named>,

    /// Every second copy is turned over: a left and a right.
    #[arg(long)]
    pub pairs: bool,

    /// Cloth a piece is cut from, such as neckband=rib (self unless said).
    #[arg(long, value_name = "PIECE=FABRIC", value_parser = typed::<Named>)]
    pub fabric: Vec<Named>,

    /// Only these pieces, by name.
    #[arg(long, value_name = "NAME")]
    pub piece: Vec<String>,

    /// Folder for pictures and lay.json (made if it is not there); without it only words are said.
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,

    /// Print the plans as JSON on standard output.
    #[arg(long)]
    pub json: bool,

    /// Say nothing unless something is wrong.
    #[arg(short, long)]
    pub quiet: bool,
}

/// The cloth and the search.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Cloth")]
pub struct ClothArgs {
    /// Usable width of the cloth, such as 150cm or 60in; several with commas are compared; rib=70cm for one fabric only.
    #[arg(long, value_name = "[FABRIC=]LENGTH", value_delimiter = ',', value_parser = typed::<Width>)]
    pub width: Vec<Width>,

    /// Fold the cloth along its length, right sides together.
    #[arg(long)]
    pub doubled: bool,

    /// The cloth has a nap, pile or one-way print: all pieces one way up.
    #[arg(long)]
    pub nap: bool,

    /// Least distance between pieces.
    #[arg(long, value_name = "LENGTH", default_value = "3mm", value_parser = length)]
    pub gap: Length,

    /// Seconds to search for every plan.
    #[arg(long, value_name = "SECONDS", default_value_t = 10.0)]
    pub time: f64,

    /// The same seed gives the same plan.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
}

/// `NAME=VALUE`.
#[derive(Debug, Clone)]
pub struct Named {
    name: String,
    value: String,
}

impl std::str::FromStr for Named {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        match text.split_once('=') {
            Some((name, value)) if !name.trim().is_empty() && !value.trim().is_empty() => {
                Ok(Self { name: name.trim().into(), value: value.trim().into() })
            }
            _ => Err(format!("\"{text}\" is not PIECE=VALUE, such as sleeve=2 or neckband=rib")),
        }
    }
}

/// A width for every fabric, or for one.
#[derive(Debug, Clone)]
pub struct Width {
    fabric: Option<String>,
    width: Length,
}

impl std::str::FromStr for Width {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (fabric, width) = match text.split_once('=') {
            Some((fabric, width)) => (Some(fabric.trim().to_string()), width),
            None => (None, text),
        };
        let width = length(width)?;
        lay::check_width(width).map_err(|e| e.to_string())?;
        Ok(Self { fabric, width })
    }
}

impl Width {
    fn bolt(&self, fabric: &str, cloth: &ClothArgs) -> Bolt {
        Bolt { name: fabric.to_string(), width: self.width, doubled: cloth.doubled, nap: cloth.nap }
    }
}

/// Runs the command.
///
/// # Errors
/// If the pieces cannot be read or do not fit the cloth; nothing is written then.
pub fn run(args: &LayArgs) -> Result<(), Refusal> {
    if let Some(out) = &args.out {
        files::check_writable(out)?;
    }
    let mut pattern = source::pattern(&args.patterns, &args.piece)?;
    apply(args, &mut pattern)?;
    let plans = plans(&pattern, &args.cloth, &[], args.quiet)?;
    let mut batch = Batch::default();
    if let Some(out) = &args.out {
        add_files(&mut batch, &plans)?;
        batch.write(out)?;
    }
    if args.json {
        say!("{:#}", serde_json::json!({ "plans": plans }));
    } else if !args.quiet {
        plans.iter().for_each(tell);
        match &args.out {
            Some(out) => {
                let names: Vec<String> = batch.names().map(|n| n.display().to_string()).collect();
                say!("written into {}: {}", out.display(), names.join(", "));
                say!("next: lay the pieces as the pictures show, grainlines along the selvedge");
            }
            None => say!("next: add --out FOLDER for pictures of how the pieces lie"),
        }
    }
    Ok(())
}

fn apply(args: &LayArgs, pattern: &mut Pattern) -> Result<(), Refusal> {
    for wanted in &args.cut {
        let i = source::named(pattern, &wanted.name)?;
        let count = wanted.value.parse().ok().filter(|n| (1..=99).contains(n)).ok_or_else(|| {
            Refusal::new(
                RefusalKind::BadRequest,
                format!("{} cannot be cut \"{}\" times", wanted.name, wanted.value),
                "give a number between 1 and 99",
            )
        })?;
        if let Some(piece) = pattern.pieces.get_mut(i) {
            piece.cutting.count = count;
        }
    }
    for wanted in &args.fabric {
        let i = source::named(pattern, &wanted.name)?;
        if let Some(piece) = pattern.pieces.get_mut(i) {
            piece.cutting.cloth.clone_from(&wanted.value);
        }
    }
    for piece in &mut pattern.pieces {
        piece.cutting.mirrored |= args.pairs;
    }
    Ok(())
}

/// Plans for every fabric and width; on the cloth that the set tells of where no width is typed.
///
/// # Errors
/// Those of [`lay::plan`].
pub fn plans(pattern: &Pattern, cloth: &ClothArgs, told: &[Bolt], quiet: bool) -> Result<Vec<LayPlan>, Refusal> {
    if !(0.0..=3600.0).contains(&cloth.time) {
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("the time to search is {} s", cloth.time),
            "give between 0 and 3600 seconds",
        ));
    }
    let fabrics = lay::by_cloth(pattern);
    if let Some(unknown) = cloth.width.iter().filter_map(|w| w.fabric.as_deref()).find(|f| !fabrics.contains_key(f)) {
        let known: Vec<&str> = fabrics.keys().copied().collect();
        return Err(Refusal::new(
            RefusalKind::BadRequest,
            format!("no piece is cut from {unknown}"),
            format!("the fabrics are {}", known.join(", ")),
        ));
    }
    let mut plans = Vec::new();
    for (fabric, pieces) in &fabrics {
        let own: Vec<&Width> = cloth.width.iter().filter(|w| w.fabric.as_deref() == Some(fabric)).collect();
        let general = || cloth.width.iter().filter(|w| w.fabric.is_none()).collect();
        let widths: Vec<&Width> = if own.is_empty() { general() } else { own };
        let bolts: Vec<Bolt> = widths.iter().map(|w| w.bolt(fabric, cloth)).collect();
        let bolts =
            if cloth.width.is_empty() { told.iter().filter(|b| b.name == *fabric).cloned().collect() } else { bolts };
        if bolts.is_empty() {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("no width is given for {fabric}"),
                format!("add --width {fabric}=150cm, or a width for all"),
            ));
        }
        for bolt in &bolts {
            plans.push(plan(bolt, pieces, cloth, quiet)?);
        }
    }
    Ok(plans)
}

fn plan(bolt: &Bolt, pieces: &[CutPiece], cloth: &ClothArgs, quiet: bool) -> Result<LayPlan, Refusal> {
    let request = bolt.request(cloth.gap.mm(), cloth.time, cloth.seed);
    let (fabric, width) = (&bolt.name, bolt.width);
    let (started, shown) = (Instant::now(), !quiet && std::io::stderr().is_terminal());
    // The work is set to end in time on a slow core; the clock is for slower ones.
    let allowed = Duration::from_secs_f64(cloth.time);
    let told = Mutex::new((Instant::now(), f64::INFINITY));
    let watch = |share: f64, length_mm: f64| {
        if shown && let Ok(mut told) = told.lock() {
            told.1 = if length_mm.is_nan() { told.1 } else { told.1.min(length_mm) };
            if told.0.elapsed() > Duration::from_millis(150) {
                told.0 = Instant::now();
                let done = (20.0 * share.max(started.elapsed().as_secs_f64() / cloth.time.max(0.1))).min(20.0) as usize;
                let bar = format!("{}{}", "#".repeat(done), ".".repeat(20 - done));
                eprint!("\r\x1b[Klay plan, {fabric} {width}: [{bar}] {:.1} cm", told.1 / 10.0);
                drop(std::io::stderr().flush());
            }
        }
        started.elapsed() < allowed
    };
    let made = lay::plan(fabric, pieces, &request, &watch);
    if shown {
        eprint!("\r\x1b[K");
    }
    made
}

/// Adds `lay.json` and a picture of every plan as SVG, PDF and PNG.
///
/// # Errors
/// Those of the writers.
pub fn add_files(batch: &mut Batch, plans: &[LayPlan]) -> Result<(), Refusal> {
    let json = format!(
        "{:#}\n",
        serde_json::json!({ "format": "clothline-lay", "version": 1, "units": "mm", "plans": plans })
    );
    batch.add("lay.json", json.into_bytes());
    for plan in plans {
        let drawing = picture::draw(plan);
        let fabric: String = plan.fabric.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
        let stem = format!("lay-{fabric}-{:.0}cm", plan.width_mm / 10.0);
        let title = format!("Lay plan, {}", plan.fabric);
        batch.add(format!("{stem}.svg"), svg::document(&drawing, &title).into_bytes());
        batch.add(format!("{stem}.pdf"), pdf::pages(&title, std::slice::from_ref(&drawing))?);
        batch.add(format!("{stem}.png"), png::write(&drawing)?);
    }
    Ok(())
}

/// How much cloth to buy, in words.
pub fn to_buy(plan: &LayPlan) -> String {
    let how = if plan.cloth == Cloth::Doubled { "doubled" } else { "flat" };
    format!(
        "cloth {}, {:.0} cm wide, {how}: buy {:.0} cm ({} yd)",
        plan.fabric,
        plan.width_mm / 10.0,
        plan.buy_mm / 10.0,
        picture::eighths(plan.buy_yards),
    )
}

fn tell(plan: &LayPlan) {
    say!("{}", to_buy(plan));
    say!(
        "  the pieces reach {:.1} cm and use {:.0} % of it; laid in plain rows they would need {:.1} cm",
        plan.length_mm / 10.0,
        plan.use_percent,
        plan.shelf_length_mm / 10.0,
    );
    if !plan.repeatable {
        eprintln!("note: the clock ended the search; the same seed may give another plan");
    }
    for warning in &plan.warnings {
        eprintln!("note: {}", warning.text);
    }
}

//! What is taken away from the desk: sheets, files for other programs, lay plans, the make sheet, the report.

use serde::Serialize;

use super::Answer;
use crate::lay::{self, Bolt, GAP_MM, LayPlan, picture};
use crate::makesheet;
use crate::pattern_file::Pattern;
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::report::{self, Source};
use crate::set::{Finished, walk};
use crate::sheets::medium::{self, Medium, PrintOptions};
use crate::sheets::tiles::Paper;
use crate::sheets::{dxf, pdf, svg};

/// The same seed gives the same plan.
const SEED: u64 = 1;
/// Nobody waits longer for a plan on a page, s.
const LONGEST_SEARCH_S: f64 = 60.0;

/// A lay plan as the page shows it.
#[derive(Debug, Clone, Serialize)]
pub struct PlanView {
    cloth: String,
    width_mm: f64,
    doubled: bool,
    nap: bool,
    /// Length the pieces reach over, and to buy, mm.
    length_mm: f64,
    buy_mm: f64,
    /// Length to buy in yards by eighths: "1 3/8".
    buy_yards: String,
    use_percent: f64,
    /// SVG.
    picture: String,
    warnings: Vec<Warning>,
}

/// Plans for every cloth that pieces are cut from and a bolt is known of; `watch` is asked with the bolt's place whether to
/// go on searching.
///
/// # Errors
/// Those of [`lay::plan`].
pub fn plans(
    pattern: &Pattern,
    bolts: &[Bolt],
    seconds: f64,
    watch: &(dyn Fn(usize) -> bool + Sync),
) -> Result<Vec<LayPlan>, Refusal> {
    let seconds = if seconds.is_finite() { seconds.clamp(0.0, LONGEST_SEARCH_S) } else { 0.0 };
    let cloths = lay::by_cloth(pattern);
    let wanted = bolts.iter().filter_map(|bolt| Some((bolt, cloths.get(bolt.name.as_str())?)));
    let plans = wanted.enumerate().map(|(place, (bolt, pieces))| {
        let request = bolt.request(GAP_MM, seconds, SEED);
        lay::plan(&bolt.name, pieces, &request, &|_, _| watch(place))
    });
    plans.collect()
}

/// The answer to [`Request::Lay`](super::Request::Lay).
pub fn plans_answer(pattern: &Pattern, plans: &[LayPlan]) -> Answer {
    let plans = plans.iter().enumerate().map(|(i, plan)| PlanView {
        cloth: plan.fabric.clone(),
        width_mm: plan.width_mm,
        doubled: plan.cloth == lay::Cloth::Doubled,
        nap: plan.nap,
        length_mm: plan.length_mm,
        buy_mm: plan.buy_mm,
        buy_yards: picture::eighths(plan.buy_yards),
        use_percent: plan.use_percent,
        picture: svg::document_with_ids(
            &picture::draw(plan),
            &format!("Lay plan, {}", plan.fabric),
            &format!("lay{i}-"),
        ),
        warnings: plan.warnings.clone(),
    });
    let cloths = lay::by_cloth(pattern).keys().map(ToString::to_string).collect();
    Answer::Lay { plans: plans.collect(), cloths }
}

/// The make sheet of a set as a drawing of one page.
fn make_sheet_page(set: &Finished, plans: &[LayPlan], paper: &str) -> Result<crate::sheets::drawing::Drawing, Refusal> {
    let paper = match paper.parse::<Medium>()? {
        Medium::Tiles(paper) => paper,
        _ => Paper::A4,
    };
    Ok(makesheet::draw(&sheet(set, plans), &set.pattern, paper))
}

fn sheet(set: &Finished, plans: &[LayPlan]) -> makesheet::MakeSheet {
    let title = set.pattern.name.clone().unwrap_or_default();
    makesheet::MakeSheet { finished: set.for_make_sheet(), ..makesheet::of(&title, &set.pattern, plans) }
}

/// The answer to [`Request::MakeSheet`](super::Request::MakeSheet); plans tell how much cloth to buy.
///
/// # Errors
/// For a paper that is not known.
pub fn make_sheet(set: &Finished, plans: &[LayPlan], paper: &str) -> Result<Answer, Refusal> {
    let page = make_sheet_page(set, plans, paper)?;
    Ok(Answer::Sheets { pages: vec![svg::document(&page, "Make sheet")], warnings: Vec::new() })
}

/// The answer to [`Request::Report`](super::Request::Report).
pub fn report(set: &Finished, sources: &[Source]) -> Answer {
    let mut checks = report::checks(&set.pattern, sources);
    checks.extend(set.for_report());
    Answer::Report { checks, warnings: set.pattern.warnings.clone() }
}

/// The whole report, one HTML page with all its pictures.
pub fn report_page(set: &Finished, sources: &[Source]) -> Vec<u8> {
    let title = set.pattern.name.clone().unwrap_or_default();
    report::html(&title, &set.pattern, sources, &set.for_report()).into_bytes()
}

/// The answer to [`Request::Sheets`](super::Request::Sheets) from a finished pattern: laying out many pieces takes
/// seconds, for which the desk need not be held.
///
/// # Errors
/// For a paper that is not known, or a pattern that does not fit it.
pub fn sheets(pattern: &Pattern, paper: &str) -> Result<Answer, Refusal> {
    let medium: Medium = paper.parse()?;
    let (pages, warnings) = medium::preview(pattern, &medium, &PrintOptions::default())?;
    Ok(Answer::Sheets { pages, warnings })
}

/// A file to take away: `pattern.svg`, `pattern.dxf`, `cutter.dxf`, `truing.svg`, `lay.pdf`, `makesheet.html`,
/// `makesheet-A4.pdf`, or the sheets as a PDF by their paper (`A4.pdf`).
///
/// # Errors
/// For a name that is none of these, or a set that cannot be put out so.
pub fn take(set: &Finished, plans: &[LayPlan], file: &str) -> Result<Vec<u8>, Refusal> {
    let pattern = &set.pattern;
    match file {
        "pattern.svg" => Ok(svg::write(pattern).into_bytes()),
        "pattern.dxf" => Ok(dxf::write(pattern)?.into_bytes()),
        "cutter.dxf" => Ok(dxf::write_cutter(pattern)?.into_bytes()),
        "pattern.pdf" => pdf::full_page(pattern),
        "truing.svg" => {
            let drawing = walk::draw(set).ok_or_else(|| no_file(file, "say first which edges are sewn together"))?;
            Ok(svg::document(&drawing, "Pieces walked along each other").into_bytes())
        }
        "lay.pdf" if plans.is_empty() => Err(no_file(file, "say first how wide the cloth is")),
        "lay.pdf" => pdf::pages("Lay plan", &plans.iter().map(picture::draw).collect::<Vec<_>>()),
        "makesheet.html" => Ok(makesheet::html(&sheet(set, plans), pattern).into_bytes()),
        other => {
            let paper = other.strip_suffix(".pdf").ok_or_else(|| no_file(other, "choose one of those offered"))?;
            if let Some(paper) = paper.strip_prefix("makesheet-") {
                return pdf::pages("Make sheet", &[make_sheet_page(set, plans, paper)?]);
            }
            let medium: Medium = paper.parse()?;
            Ok(medium::print(pattern, &medium, &PrintOptions::default())?.bytes)
        }
    }
}

fn no_file(name: &str, advice: &str) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, format!("there is no file \"{name}\" to take"), advice)
}

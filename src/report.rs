//! The report: one HTML page that shows what was made of what, how sure it is, and which checks it passed.

use std::fmt::Write as _;

use crate::makesheet::{self, PAIR_MM};
use crate::pattern_file::Pattern;
use crate::polygon;
use crate::refusal::Warning;
use crate::seams::Piece;
use crate::sheets::{miniature, svg};

/// Room for a piece's picture, mm.
const PICTURE_MM: (f64, f64) = (170.0, 110.0);

/// A picture or the doubts of one photo.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Source {
    /// What it is called.
    pub name: String,
    /// The photo with what was found drawn over it: JPEG bytes.
    pub overlay_jpeg: Option<Vec<u8>>,
    /// Doubt of every outline point, mm, and whether its edge was seen.
    pub doubts: Vec<(f64, bool)>,
    /// Every length is within this, per cent.
    pub scale_doubt_percent: Option<f64>,
    /// What the tracing warned of.
    pub warnings: Vec<String>,
}

/// A check and how it went.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Check {
    /// What was checked, with figures.
    pub text: String,
    /// Did it pass?
    pub passed: bool,
}

const STYLE: &str = "body{font:16px/1.45 sans-serif;max-width:70em;margin:2em auto;padding:0 1em;color:#111;background:#fff}\
h2{border-bottom:1px solid #999;margin-top:1.6em}img,figure svg{max-width:100%;height:auto}figure{margin:1em 0}\
figure svg{max-height:34em}ul.checks{list-style:none;padding:0}.pass::before{content:\"passed  \";font-weight:bold}\
.fail{background:#eee;border-left:6px solid #111;padding-left:.5em}.fail::before{content:\"LOOK AT THIS  \";font-weight:bold}\
svg.doubt{border:1px solid #999}";

/// Checks of finished pieces: sound lines, allowances kept, seam pairs of one length, what warnings say.
pub fn checks(pattern: &Pattern, sources: &[Source]) -> Vec<Check> {
    let mut checks = Vec::new();
    for source in sources {
        if let Some(percent) = source.scale_doubt_percent {
            let text = format!("{}: every length is known within {percent:.2} % (0.5 % wanted)", source.name);
            // As it is shown: an unmeasured mat is taken at 0.5 %, and a ten-thousandth more is no failure.
            checks.push(Check { text, passed: (1000.0 * percent).round() <= 500.0 });
        }
        if !source.doubts.is_empty() {
            let seen = source.doubts.iter().filter(|(_, seen)| *seen).count() as f64 / source.doubts.len() as f64;
            let text = format!("{}: {:.0} % of the outline was seen (95 % wanted)", source.name, 100.0 * seen);
            checks.push(Check { text, passed: seen >= 0.95 });
        }
    }
    for piece in &pattern.pieces {
        checks.extend(piece_checks(piece));
    }
    for step in makesheet::of("", pattern, &[]).steps {
        if let [a, b] = step.lengths_mm.as_slice() {
            let text = format!("{}: {a:.1} mm and {b:.1} mm (within {PAIR_MM} mm, or eased)", step.text);
            checks.push(Check { text, passed: step.agrees });
        }
    }
    checks
}

fn piece_checks(piece: &Piece) -> Vec<Check> {
    let name = &piece.name;
    let crossed = polygon::self_crossing(&piece.cut_line).or_else(|| polygon::self_crossing(&piece.stitching_line));
    let around: f64 = piece.edges.iter().map(|e| e.length_mm).sum();
    let ring = polygon::perimeter(&piece.stitching_line);
    let outside = piece
        .stitching_line
        .iter()
        .filter(|p| !polygon::contains(&piece.cut_line, **p) && polygon::distance_to_ring(&piece.cut_line, **p) > 0.02);
    vec![
        Check { text: format!("{name}: neither line crosses itself"), passed: crossed.is_none() },
        Check { text: format!("{name}: the stitching line lies within the cut line"), passed: outside.count() == 0 },
        Check {
            text: format!("{name}: the edges add up to the stitching line ({around:.1} mm and {ring:.1} mm)"),
            passed: (around - ring).abs() < 0.5,
        },
        Check {
            text: match piece.warnings.len() {
                0 => format!("{name}: nothing more to look at before cutting"),
                1 => format!("{name}: one thing to look at before cutting, told below"),
                more => format!("{name}: {more} things to look at before cutting, told below"),
            },
            passed: piece.warnings.is_empty(),
        },
    ]
}

/// Writes the page; everything is inside it. `further` are checks made elsewhere (a set's seams and tape).
pub fn html(title: &str, pattern: &Pattern, sources: &[Source], further: &[Check]) -> String {
    let mut out = String::new();
    let title = svg::escaped(title);
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>Report: {title}</title>\
         <meta name=\"viewport\" content=\"width=device-width\"><style>{STYLE}</style></head><body>\n<h1>{title}</h1>\n"
    );
    let mut checks = checks(pattern, sources);
    checks.extend(further.iter().cloned());
    let failed = checks.iter().filter(|c| !c.passed).count();
    let _ =
        writeln!(out, "<h2>Checks: {} passed, {failed} to look at</h2>\n<ul class=\"checks\">", checks.len() - failed);
    let mut ordered: Vec<&Check> = checks.iter().collect();
    ordered.sort_by_key(|c| c.passed);
    for check in ordered {
        let class = if check.passed { "pass" } else { "fail" };
        let _ = writeln!(out, "<li class=\"{class}\">{}</li>", svg::escaped(&check.text));
    }
    out.push_str("</ul>\n");
    let warnings: Vec<String> = warnings(pattern).iter().map(|w| format!("<li>{}</li>", svg::escaped(w))).collect();
    if !warnings.is_empty() {
        let _ = writeln!(out, "<h2>To look at before cutting</h2>\n<ul>{}</ul>", warnings.join("\n"));
    }
    for source in sources {
        photo(&mut out, source);
    }
    for (i, piece) in pattern.pieces.iter().enumerate() {
        let alone = Pattern { pieces: vec![piece.clone()], ..Pattern::default() };
        let small = miniature::draw(&alone, PICTURE_MM, true);
        let picture = svg::document_with_ids(&small, &piece.name, &format!("piece{}-", i + 1));
        let picture = picture.split_once("?>").map_or(picture.as_str(), |(_, rest)| rest);
        let _ = writeln!(out, "<h2>{}</h2>\n<figure>{picture}</figure>\n<ul>", svg::escaped(&piece.name));
        for edge in &piece.edges {
            let called = edge.name.as_ref().map_or_else(String::new, |name| format!(", {}", svg::escaped(name)));
            let (number, length, allowance) = (edge.number, edge.length_mm, edge.allowance_mm);
            let _ = writeln!(out, "<li>edge {number}{called}: {length:.1} mm, allowance {allowance:.1} mm</li>");
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</body></html>\n");
    out
}

/// What the pieces warn of with their names, then what the set warns of; each once.
fn warnings(pattern: &Pattern) -> Vec<String> {
    let of_pieces = pattern.pieces.iter().flat_map(|p| p.warnings.iter().map(move |w| (format!("{}: ", p.name), w)));
    let all: Vec<(String, &Warning)> = of_pieces.chain(pattern.warnings.iter().map(|w| (String::new(), w))).collect();
    let mut told: Vec<(String, &str)> = Vec::new();
    for (whose, warning) in all {
        let again = told.iter().any(|(w, t)| *t == warning.text && (*w == whose || whose.is_empty()));
        if !again {
            told.push((whose, &warning.text));
        }
    }
    told.into_iter().map(|(whose, text)| whose + text).collect()
}

fn photo(out: &mut String, source: &Source) {
    let name = svg::escaped(&source.name);
    let _ = writeln!(out, "<h2>Photo: {name}</h2>");
    if let Some(jpeg) = &source.overlay_jpeg {
        let data = base64(jpeg);
        let _ = writeln!(
            out,
            "<figure><img alt=\"{name}, its outline drawn over the flattened photo\" src=\"data:image/jpeg;base64,{data}\"></figure>"
        );
    }
    for (i, warning) in source.warnings.iter().enumerate() {
        if !source.warnings.iter().take(i).any(|before| before == warning) {
            let _ = writeln!(out, "<p>{}</p>", svg::escaped(warning));
        }
    }
    if !source.doubts.is_empty() {
        let mut sorted: Vec<f64> = source.doubts.iter().map(|d| d.0).collect();
        sorted.sort_by(f64::total_cmp);
        let at = |share: f64| sorted.get(((sorted.len() - 1) as f64 * share) as usize).copied().unwrap_or(0.0);
        let _ = writeln!(
            out,
            "<p>Doubt along the outline: half of it within {:.2} mm, 95 % within {:.2} mm.</p>",
            at(0.5),
            at(0.95)
        );
        doubt_curve(out, &source.doubts);
    }
}

/// Doubt along the outline, drawn; unseen stretches shaded.
fn doubt_curve(out: &mut String, doubts: &[(f64, bool)]) {
    let top = doubts.iter().map(|d| d.0).fold(1.0, f64::max);
    let step = (doubts.len() / 800).max(1);
    let picked: Vec<(f64, (f64, bool))> =
        doubts.iter().enumerate().step_by(step).map(|(i, d)| (800.0 * i as f64 / doubts.len() as f64, *d)).collect();
    let points: Vec<String> =
        picked.iter().map(|(x, (d, _))| format!("{x:.1},{:.1}", 118.0 - 110.0 * d / top)).collect();
    let wide = 800.0 * step as f64 / doubts.len() as f64;
    let mut shade = String::new();
    for (x, _) in picked.iter().filter(|(_, (_, seen))| !seen) {
        let _ = write!(shade, "<rect x=\"{x:.1}\" width=\"{wide:.2}\" height=\"120\" fill=\"#ccc\"/>");
    }
    let _ = writeln!(
        out,
        "<svg class=\"doubt\" viewBox=\"0 0 800 120\" width=\"800\" height=\"120\" role=\"img\" aria-label=\"doubt along the outline\">\
         {shade}<polyline points=\"{}\" fill=\"none\" stroke=\"#111\"/><text x=\"4\" y=\"14\" font-size=\"12\">{top:.1} mm</text></svg>\
         <p>Doubt from the outline's first point round to its last; shaded where the edge was not seen.</p>",
        points.join(" ")
    );
}

/// Base64 (RFC 4648, section 4).
pub fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let at = |i: usize| u32::from(chunk.get(i).copied().unwrap_or(0));
        let bits = at(0) << 16 | at(1) << 8 | at(2);
        for k in 0..4 {
            let six = (bits >> (18 - 6 * k)) as usize & 63;
            text.push(if k <= chunk.len() { char::from(LETTERS[six]) } else { '=' });
        }
    }
    text
}

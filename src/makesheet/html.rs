//! The make sheet as one HTML page, pictures inside.

use std::fmt::Write as _;

use super::MakeSheet;
use crate::pattern_file::Pattern;
use crate::sheets::{miniature, svg};
use crate::units::tape_inches;

/// Room for the pieces' picture, mm.
const PICTURE_MM: (f64, f64) = (180.0, 80.0);

/// Rules for screen and print: words, black on white.
const STYLE: &str = "body{font:16px/1.45 sans-serif;max-width:50em;margin:2em auto;padding:0 1em;color:#111;background:#fff}\
h1{font-size:1.7em}h2{font-size:1.15em;margin:1.4em 0 .4em;border-bottom:1px solid #999}\
table{border-collapse:collapse}td,th{padding:.2em .8em .2em 0;text-align:left;vertical-align:top}\
td.n{text-align:right;font-variant-numeric:tabular-nums}.off{font-weight:bold}\
.caution{border:2px solid #111;padding:.2em 1em}figure{margin:1em 0}figure svg{width:100%;height:auto;max-height:22em}\
@media print{body{margin:0;font-size:11pt}h2{break-after:avoid}}";

/// Writes the page; nothing is fetched from elsewhere.
pub fn write(sheet: &MakeSheet, pattern: &Pattern) -> String {
    let mut out = String::new();
    let title = svg::escaped(&sheet.title);
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>Make sheet: {title}</title>\
         <meta name=\"viewport\" content=\"width=device-width\"><style>{STYLE}</style></head><body>\n<h1>{title}</h1>\n"
    );
    let picture = svg::document(&miniature::draw(pattern, PICTURE_MM, false), &sheet.title);
    let picture = picture.split_once("?>").map_or(picture.as_str(), |(_, rest)| rest);
    let _ = writeln!(out, "<figure>{picture}<figcaption>The pieces, not to scale here.</figcaption></figure>");
    out.push_str("<h2>Cut</h2>\n<table><tr><th>piece</th><th>cut</th><th>from</th></tr>\n");
    for row in &sheet.pieces {
        let cells = [&row.name, &row.cut, &row.cloth].map(|t| format!("<td>{}</td>", svg::escaped(t)));
        let _ = writeln!(out, "<tr>{}</tr>", cells.concat());
    }
    out.push_str("</table>\n");
    list(&mut out, "Buy", "ul", &sheet.buy);
    steps(&mut out, sheet);
    measures(&mut out, "Finished measurements", &sheet.finished);
    measures(&mut out, "Finished lengths along the stitching line", &sheet.measures);
    out.push_str("<div class=\"caution\">");
    list(&mut out, "Take care", "ul", &sheet.cautions);
    out.push_str("</div>\n");
    if !sheet.notes.is_empty() {
        list(&mut out, "Not known", "ul", &sheet.notes);
    }
    out.push_str("</body></html>\n");
    out
}

fn measures(out: &mut String, title: &str, rows: &[super::Measure]) {
    if rows.is_empty() {
        return;
    }
    let _ = writeln!(out, "<h2>{title}</h2>\n<table>");
    for measure in rows {
        let of = measure.of.as_ref().map_or(String::new(), |piece| format!("{piece}, "));
        let what = svg::escaped(&format!("{of}{}", measure.what));
        let (cm, inches) = (measure.length_mm / 10.0, tape_inches(measure.length_mm));
        let _ = writeln!(out, "<tr><td>{what}</td><td class=\"n\">{cm:.1} cm</td><td class=\"n\">{inches}</td></tr>");
    }
    out.push_str("</table>\n");
}

fn steps(out: &mut String, sheet: &MakeSheet) {
    if sheet.steps.is_empty() {
        return;
    }
    out.push_str("<h2>Sew, in this order</h2>\n<ol>\n");
    for step in &sheet.steps {
        let off =
            if step.agrees { "" } else { " <span class=\"off\">The two do not agree: check before you sew.</span>" };
        let _ = writeln!(out, "<li>{}{}.{off}</li>", svg::escaped(&step.text), step.lengths());
    }
    out.push_str("</ol>\n");
}

fn list(out: &mut String, title: &str, tag: &str, lines: &[String]) {
    let _ = writeln!(out, "<h2>{title}</h2>\n<{tag}>");
    for line in lines {
        let _ = writeln!(out, "<li>{}</li>", svg::escaped(line));
    }
    let _ = writeln!(out, "</{tag}>");
}

//! Seams in sewing order, from the names of edges.

use super::{PAIR_MM, Step};
use crate::draft::shape::word_of;
use crate::seams::{NotchKind, Piece, PieceEdge};
use crate::units::tape_inches;

/// A sleeve's cap may be this much longer than its armhole: it is eased in (common practice, no source).
const EASE_SHARE: f64 = 0.08;

/// A waist with so much allowance is a casing, mm (common practice, no source).
pub(super) const CASING_MM: f64 = 25.0;

/// What is joined to what, in order of sewing: shoulders while all is flat, sleeves before the sides are closed, legs
/// before the rise, hems last.
const JOINS: [(&str, &str); 7] = [
    ("shoulder", "shoulder"),
    ("armhole", "sleeve-cap"),
    ("side-seam", "side-seam"),
    ("underarm-seam", "underarm-seam"),
    ("outseam", "outseam"),
    ("inseam", "inseam"),
    ("rise", "rise"),
];
/// Finished after all joins, in order.
const FINISHES: [(&str, &str); 5] = [
    ("neckline", "Finish the neckline"),
    ("waist", "Finish the waist"),
    ("casing", "Turn and stitch the casing"),
    ("opening", "Finish the opening"),
    ("hem", "Turn and stitch the hem"),
];

/// An edge's name as role names are written: "Side seam" is side-seam, "armhole 2" is armhole, "body hem" is hem.
fn role(edge: &PieceEdge) -> Option<String> {
    let name = word_of(edge.name.as_deref()?);
    let name = name.trim_end_matches(|c: char| c.is_ascii_digit() || c == '-');
    let mut known = JOINS.iter().flat_map(|(a, b)| [*a, *b]).chain(FINISHES.iter().map(|(name, _)| *name));
    let ends = known.find(|k| name.strip_suffix(k).is_some_and(|before| before.ends_with('-')));
    Some(ends.unwrap_or(name).to_string())
}

/// Is this the edge's role?
pub(super) fn named(edge: &PieceEdge, wanted: &str) -> bool {
    role(edge).is_some_and(|r| r == wanted)
}

/// A role's name in running words.
pub(super) fn words(name: &str) -> String {
    name.trim().replace(['-', '_'], " ").to_lowercase()
}

type Found<'a> = (&'a Piece, &'a PieceEdge);

/// Steps, and what could not be placed among them.
pub(super) fn of(pieces: &[Piece]) -> (Vec<Step>, Vec<String>) {
    let mut steps = Vec::new();
    for (a, b) in JOINS {
        let (first, second) = (all(pieces, a), all(pieces, b));
        if a == "rise" {
            steps.extend(rise(&first));
        } else if a == b {
            steps.extend(same(a, &first));
        } else {
            steps.extend(across(a, b, &first, &second));
        }
    }
    let goes = Goes::of(pieces);
    steps.extend(bands(&goes));
    for (name, doing) in FINISHES {
        let open = |(piece, edge): &Found<'_>| !goes.iter().any(|g| g.finishes(pieces, piece, edge));
        for (piece, edge) in all(pieces, name).into_iter().filter(open) {
            let casing = name == "waist" && edge.allowance_mm >= CASING_MM;
            let doing = if casing { "Turn and stitch the casing at the waist" } else { doing };
            let allowance = if name == "neckline" {
                String::new()
            } else {
                format!(", allowance {}", allowance(edge.allowance_mm))
            };
            steps.push(Step {
                text: format!("{doing} of {}{allowance}", piece.name),
                lengths_mm: vec![edge.length_mm],
                agrees: true,
            });
        }
    }
    let folds: Vec<Option<usize>> = pieces.iter().map(|p| p.fold.as_ref().map(|f| f.edge)).collect();
    let unnamed: usize = pieces
        .iter()
        .zip(&folds)
        .map(|(p, fold)| p.edges.iter().filter(|e| role(e).is_none() && Some(e.number) != *fold).count())
        .sum();
    let mut notes = Vec::new();
    if unnamed > 0 {
        notes.push(format!("{unnamed} edges have no name, so that their seams are not in this list (name them with --edge-name 2=side-seam)."));
    }
    (steps, notes)
}

/// An allowance for either tape: "25 mm (1 in)".
fn allowance(mm: f64) -> String {
    format!("{mm:.0} mm ({})", tape_inches(mm))
}

fn all<'a>(pieces: &'a [Piece], name: &str) -> Vec<Found<'a>> {
    pieces.iter().flat_map(|p| p.edges.iter().filter(|e| named(e, name)).map(move |e| (p, e))).collect()
}

/// Edges of one name: front to back, or a piece to itself or to its pair.
fn same(name: &str, found: &[Found<'_>]) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut open: Vec<&Found<'_>> = found.iter().collect();
    while !open.is_empty() {
        let first = open.remove(0);
        // The other half of a seam is the edge of another piece nearest in length.
        let nearest = open
            .iter()
            .enumerate()
            .filter(|(_, (p, _))| p.name != first.0.name && p.variation == first.0.variation)
            .min_by(|a, b| apart(first, a.1).total_cmp(&apart(first, b.1)))
            .map(|(i, _)| i);
        let text = words(name);
        match nearest {
            Some(i) => {
                let other = open.remove(i);
                steps.push(joined(
                    format!("Join {} to {} at the {text}", first.0.name, other.0.name),
                    &[*first, *other],
                    0.0,
                ));
            }
            None => match open.iter().position(|(p, _)| p.name == first.0.name) {
                Some(i) => {
                    let other = open.remove(i);
                    steps.push(joined(format!("Close {} at the {text}", first.0.name), &[*first, *other], 0.0));
                }
                None if first.0.cutting.count > 1 && first.0.fold.is_some() => {
                    steps.push(joined(format!("Close {} at the {text}", first.0.name), &[*first], 0.0));
                }
                None if first.0.cutting.count > 1 => {
                    let text = format!("Join the two of {} at the {text}", first.0.name);
                    steps.push(joined(text, &[*first], 0.0));
                }
                None => steps.push(joined(format!("Sew the {text} of {}", first.0.name), &[*first], 0.0)),
            },
        }
    }
    steps
}

/// The rises of front and back are one seam between the two legs: each is sewn to its own mirror image.
fn rise(found: &[Found<'_>]) -> Vec<Step> {
    let mut variations: Vec<&Option<String>> = Vec::new();
    for (piece, _) in found {
        if !variations.contains(&&piece.variation) {
            variations.push(&piece.variation);
        }
    }
    let step = |variation: &Option<String>| {
        let own: Vec<&Found<'_>> = found.iter().filter(|(p, _)| p.variation == *variation).collect();
        let names: Vec<&str> = own.iter().map(|(p, _)| p.name.as_str()).collect();
        let whole = own.iter().map(|(_, e)| e.length_mm).sum();
        let text = format!("Slip one leg into the other and sew the rise in one seam along {}", names.join(" and "));
        Step { text, lengths_mm: vec![whole], agrees: true }
    };
    variations.into_iter().map(step).collect()
}

fn apart(a: &Found<'_>, b: &Found<'_>) -> f64 {
    (a.1.length_mm - b.1.length_mm).abs()
}

/// Sleeve into armhole: the cap goes round the armholes of all pieces of one body.
fn across(hole: &str, cap: &str, holes: &[Found<'_>], caps: &[Found<'_>]) -> Vec<Step> {
    let mut done: Vec<&str> = Vec::new();
    let mut steps = Vec::new();
    for (sleeve, _) in caps {
        if done.contains(&sleeve.name.as_str()) {
            continue;
        }
        done.push(&sleeve.name);
        let own: f64 = caps.iter().filter(|(p, _)| p.name == sleeve.name).map(|(_, e)| e.length_mm).sum();
        let own = if sleeve.fold.is_some() { 2.0 * own } else { own };
        for around in bodies(sleeve, holes) {
            let ease = own - around;
            let mut step = Step {
                text: format!("Sew {} into the {} by its {}", sleeve.name, words(hole), words(cap)),
                lengths_mm: vec![around, own],
                agrees: (-PAIR_MM..=EASE_SHARE * around).contains(&ease),
            };
            if ease > PAIR_MM && step.agrees {
                step.text.push_str(&format!(", easing in {ease:.0} mm"));
            }
            step.text.push_str(&matching(sleeve, cap));
            steps.push(step);
        }
    }
    steps
}

/// Lengths round the armholes that a sleeve may be sewn into, one a variation; alike ones are told once.
fn bodies(sleeve: &Piece, holes: &[Found<'_>]) -> Vec<f64> {
    let mut variations: Vec<Option<&String>> = holes.iter().map(|(p, _)| p.variation.as_ref()).collect();
    if variations.iter().any(Option::is_some) {
        // What has no variation goes with every one.
        variations.retain(Option::is_some);
    }
    variations.retain(|v| sleeve.variation.is_none() || v.is_none() || *v == sleeve.variation.as_ref());
    let mut lengths: Vec<f64> = Vec::new();
    let mut done: Vec<Option<&String>> = Vec::new();
    for variation in variations {
        if done.contains(&variation) {
            continue;
        }
        done.push(variation);
        let own = holes.iter().filter(|(p, _)| p.variation.is_none() || p.variation.as_ref() == variation);
        let around: f64 = own.map(|(_, e)| e.length_mm).sum();
        if lengths.iter().all(|l| (l - around).abs() > PAIR_MM) {
            lengths.push(around);
        }
    }
    lengths
}

/// A band, cuff or collar, and the name of the edge it is sewn to.
struct Goes<'a> {
    band: &'a Piece,
    to: &'static str,
}

impl<'a> Goes<'a> {
    /// By its name: what else a band is sewn to the pieces do not tell.
    fn of(pieces: &'a [Piece]) -> Vec<Self> {
        let to = |p: &Piece| {
            let name = p.name.to_lowercase();
            let is_band = p.edges.iter().any(|e| named(e, "join"));
            match &*name {
                n if n.contains("neckband") || n.contains("collar") || (is_band && n.contains("neck")) => {
                    Some("neckline")
                }
                n if n.contains("waistband") || (is_band && n.contains("waist")) => Some("waist"),
                n if n.contains("cuff") && !all(pieces, "opening").is_empty() => Some("opening"),
                n if n.contains("cuff") && is_band => Some("hem"),
                _ => None,
            }
        };
        pieces.iter().filter_map(|band| Some(Self { band, to: to(band)? })).collect()
    }

    /// Does the band finish an edge? A cuff goes on the sleeves, or the legs where there are none.
    fn finishes(&self, pieces: &[Piece], piece: &Piece, edge: &PieceEdge) -> bool {
        let together =
            self.band.variation.is_none() || piece.variation.is_none() || self.band.variation == piece.variation;
        let has = |p: &Piece, name: &str| p.edges.iter().any(|e| named(e, name));
        let limb = if pieces.iter().any(|p| has(p, "sleeve-cap")) { "sleeve-cap" } else { "inseam" };
        together && named(edge, self.to) && (self.to != "hem" || has(piece, limb))
    }
}

/// Bands, cuffs and collars go on once the openings are closed.
fn bands(goes: &[Goes<'_>]) -> Vec<Step> {
    let step = |g: &Goes<'_>| {
        let how = if g.band.stretch.is_some() { ", stretching evenly" } else { "" };
        let text = format!("Close {} to a ring and sew it on at the {}{how}", g.band.name, words(g.to));
        Step { text, lengths_mm: Vec::new(), agrees: true }
    };
    goes.iter().map(step).collect()
}

fn joined(text: String, edges: &[Found<'_>], ease_mm: f64) -> Step {
    let lengths_mm: Vec<f64> = edges.iter().map(|(_, e)| e.length_mm).collect();
    let agrees = match lengths_mm.as_slice() {
        [a, b] => (a - b).abs() <= PAIR_MM + ease_mm,
        _ => true,
    };
    let notches = edges.first().map(|(p, e)| matching(p, e.name.as_deref().unwrap_or_default())).unwrap_or_default();
    Step { text: text + &notches, lengths_mm, agrees }
}

/// "notches matching", where the edge has any.
fn matching(piece: &Piece, name: &str) -> String {
    let numbers: Vec<usize> =
        piece.edges.iter().filter(|e| e.name.as_deref() == Some(name)).map(|e| e.number).collect();
    let own: Vec<NotchKind> = piece.notches.iter().filter(|n| numbers.contains(&n.edge)).map(|n| n.kind).collect();
    if own.is_empty() { String::new() } else { ", notches matching".into() }
}

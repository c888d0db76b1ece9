//! Where the notches of a piece go: its own, those it shares with its pairs, those of a sleeve set into its armhole.

use super::file::{Draw, EasedStretch, NotchFile, PieceFile, SetFile};
use super::pairs::{EdgeOf, FIT_MM, Pair, is_reversed};
use super::pieces::{MadePiece, MadePieces};
use crate::draft::shape::{EdgeRef, Shape};
use crate::refusal::{Refusal, RefusalKind, Warning};
use crate::seams::NotchKind;
use crate::seams::request::{NotchPlace, NotchRequest};
use crate::units::Length;

/// Balance notches of armhole and cap stand so far along a middling armhole from the underarm: at the same distance in
/// front and behind, so that one notch on a half cap serves both (common practice, no source).
const BALANCE_SHARE: f64 = 1.0 / 3.0;

/// Which half of an unfolded piece a notch is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Halves {
    Both,
    /// The half as traced.
    Here,
    /// The mirrored half.
    There,
}

/// A notch and the halves it is on.
pub(super) type PlacedNotch = (NotchRequest, Halves);

/// All notches of a piece.
///
/// # Errors
/// A notch past the end of its edge, or measured from an edge that does not meet it.
pub(super) fn of(
    file: &SetFile,
    piece: &PieceFile,
    made: &MadePieces,
    pairs: &[Pair],
) -> Result<Vec<PlacedNotch>, Refusal> {
    let Some(own) = made.get(&piece.name) else { return Ok(Vec::new()) };
    let cutter = Cutter { file, name: &piece.name, own };
    let mut notches = Vec::new();
    for notch in &piece.notches {
        notches.push((cutter.own_notch(notch)?, Halves::Both));
    }
    for pair in pairs {
        notches.extend(cutter.of_pair(pair, made)?);
        if pair.guessed && pair.is_cap(made) {
            notches.extend(cutter.balance(pair, made, piece.draw)?);
        }
    }
    // Two variations of one neighbour ask for the same notch twice.
    let mut kept: Vec<PlacedNotch> = Vec::new();
    for (notch, halves) in notches {
        let there = |(other, h): &PlacedNotch| {
            *h == halves && other.edge == notch.edge && (from_start(other) - from_start(&notch)).abs() < 0.5
        };
        if !kept.iter().any(there) {
            kept.push((notch, halves));
        }
    }
    Ok(kept)
}

fn from_start(notch: &NotchRequest) -> f64 {
    match notch.place {
        NotchPlace::FromStart(at) | NotchPlace::FromEnd(at) => at.mm(),
        NotchPlace::Share(share) => share,
    }
}

fn bad(seen: String, advice: impl Into<String>) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, seen, advice)
}

struct Cutter<'a> {
    file: &'a SetFile,
    name: &'a str,
    own: &'a MadePiece,
}

impl Cutter<'_> {
    fn usual_kind(&self) -> NotchKind {
        if self.own.back { NotchKind::Double } else { NotchKind::Single }
    }

    fn request(&self, index: usize, along_mm: f64, kind: NotchKind) -> Result<NotchRequest, Refusal> {
        let edge = &self.own.shape.edges[index];
        let length = edge.length_mm();
        // A hair past the end is the end.
        if !(-1e-6..=length + 1e-6).contains(&along_mm) {
            return Err(bad(
                format!(
                    "a notch {along_mm:.1} mm along {} lies past its end: it is {length:.1} mm long",
                    edge.called()
                ),
                format!("give a distance of at most {length:.1} mm"),
            ));
        }
        let style = self.file.notches;
        Ok(NotchRequest {
            edge: edge.number,
            place: NotchPlace::FromStart(Length::from_mm(along_mm.clamp(0.0, length))),
            kind,
            shape: style.shape,
            depth: style.depth,
        })
    }

    fn own_notch(&self, notch: &NotchFile) -> Result<NotchRequest, Refusal> {
        let shape = &self.own.shape;
        let index = shape.find(&notch.edge)?;
        let length = shape.edges[index].length_mm();
        let at = notch.at.trim();
        let distance = if at == "middle" {
            0.5 * length
        } else if let Some(percent) = at.strip_suffix('%') {
            let share: f64 = percent.trim().parse().ok().filter(|p| (0.0..=100.0).contains(p)).ok_or_else(|| {
                bad(format!("\"{at}\" is no share of an edge"), "write a length, \"middle\" or such as \"25%\"")
            })?;
            share / 100.0 * length
        } else {
            at.parse::<Length>()
                .map_err(|e| bad(format!("notch on {}: {e}", notch.edge), "or \"middle\" or \"25%\""))?
                .mm()
        };
        let at_start = match &notch.from {
            None => true,
            Some(from) => starts_at(shape, index, from)?,
        };
        let along = if at_start { distance } else { length - distance };
        self.request(index, along, notch.kind.unwrap_or(self.usual_kind()))
    }

    /// Notches of a pair on this piece.
    fn of_pair(&self, pair: &Pair, made: &MadePieces) -> Result<Vec<PlacedNotch>, Refusal> {
        if pair.said.notches.is_empty() && pair.said.eased_between.is_none() {
            return Ok(Vec::new());
        }
        let about = |r: Refusal| Refusal { seen: format!("pair \"{}\": {}", pair.called(), r.seen), ..r };
        let Some((first, second)) = pair.single() else {
            return Err(about(bad(
                "notches need one edge on each side".into(),
                "write the notches with the pieces instead, or split the pair",
            )));
        };
        let ease = second.on(made).map(|(s, i)| s.edges[i].length_mm())?
            - first.on(made).map(|(s, i)| s.edges[i].length_mm())?;
        let mut notches = Vec::new();
        for (edge, is_second) in [(first, false), (second, true)] {
            if edge.piece != self.name {
                continue;
            }
            let (shape, index) = edge.on(made)?;
            let length = shape.edges[index].length_mm();
            let mut add = |at_mm: f64, from: Option<&EdgeRef>| -> Result<(), Refusal> {
                let at_start = self.pair_start(pair, (first, second), is_second, from, made)?;
                let along = if at_start { at_mm } else { length - at_mm };
                notches.push((self.request(index, along, self.usual_kind())?, Halves::Both));
                Ok(())
            };
            for notch in &pair.said.notches {
                add(notch.at.mm(), notch.from.as_ref()).map_err(about)?;
            }
            if let Some(EasedStretch { begin, end, from }) = &pair.said.eased_between {
                add(begin.mm(), from.as_ref()).map_err(about)?;
                add(end.mm() + if is_second { ease } else { 0.0 }, from.as_ref()).map_err(about)?;
            }
        }
        Ok(notches)
    }

    /// Is a distance on this side of a pair measured from the edge's start?
    fn pair_start(
        &self,
        pair: &Pair,
        (first, second): (&EdgeOf, &EdgeOf),
        is_second: bool,
        from: Option<&EdgeRef>,
        made: &MadePieces,
    ) -> Result<bool, Refusal> {
        let (a, b) = (first.on(made)?, second.on(made)?);
        let word = from.map_or("start", |f| f.0.as_str());
        if !matches!(word, "start" | "end") {
            let (shape, index) = if is_second { b } else { a };
            return starts_at(shape, index, &EdgeRef(word.to_string()));
        }
        let at_first_start = word == "start";
        Ok(if is_second { at_first_start != is_reversed(a, b, pair.said.reversed) } else { at_first_start })
    }

    /// Single in front, double behind, at one distance from the underarm on armholes and cap; the shoulder point.
    fn balance(&self, pair: &Pair, made: &MadePieces, draw: Draw) -> Result<Vec<PlacedNotch>, Refusal> {
        let mut notches = Vec::new();
        let lengths: Vec<f64> =
            pair.sides[0].iter().map(|e| e.on(made).map(|(s, i)| s.edges[i].length_mm())).collect::<Result<_, _>>()?;
        let distance = BALANCE_SHARE * lengths.iter().sum::<f64>() / lengths.len().max(1) as f64;
        for edge in pair.sides[0].iter().filter(|e| e.piece == self.name) {
            let (shape, index) = edge.on(made)?;
            let at_start = starts_at(shape, index, &"side-seam".into()).unwrap_or(true);
            let length = shape.edges[index].length_mm();
            let along = if at_start { distance } else { length - distance };
            notches.push((self.request(index, along, self.usual_kind())?, Halves::Both));
        }
        let [cap] = pair.sides[1].as_slice() else { return Ok(notches) };
        if cap.piece != self.name || self.own.shape.fold.is_none() {
            return Ok(notches);
        }
        let (shape, index) = cap.on(made)?;
        let length = shape.edges[index].length_mm();
        let at_start = starts_at(shape, index, &"underarm-seam".into()).unwrap_or(true);
        let along = |distance: f64| if at_start { distance } else { length - distance };
        if draw == Draw::Half {
            notches.push((self.request(index, along(distance), NotchKind::Single)?, Halves::Both));
            return Ok(notches);
        }
        for (kind, half) in [(NotchKind::Single, Halves::Here), (NotchKind::Double, Halves::There)] {
            notches.push((self.request(index, along(distance), kind)?, half));
        }
        // Towards the back where the front armhole is the longer one.
        let shift = shoulder_shift_mm(pair, made).unwrap_or(0.0);
        let half = if shift > 0.0 { Halves::There } else { Halves::Here };
        notches.push((self.request(index, along((length - shift.abs()).max(0.0)), NotchKind::Single)?, half));
        Ok(notches)
    }
}

/// How far the shoulder seam meets a sleeve behind the fold down its middle, mm, the ease shared out evenly between front
/// and back (common practice, no source); `None` where it is no sleeve on a fold between two armholes.
fn shoulder_shift_mm(pair: &Pair, made: &MadePieces) -> Option<f64> {
    let ([one, other], [cap]) = (pair.sides[0].as_slice(), pair.sides[1].as_slice()) else { return None };
    made.get(&cap.piece)?.shape.fold?;
    let length = |edge: &EdgeOf| edge.on(made).ok().map(|(shape, index)| shape.edges[index].length_mm());
    let back = |edge: &EdgeOf| made.get(&edge.piece).is_some_and(|p| p.back);
    let (front, behind) = if back(one) && !back(other) { (other, one) } else { (one, other) };
    Some(0.5 * (length(front)? - length(behind)?))
}

/// A sleeve laid on a fold has its shoulder notch there; where it belongs elsewhere the sleeve should be drawn whole.
pub(super) fn shoulder_warnings(file: &SetFile, pairs: &[Pair], made: &MadePieces) -> Vec<Warning> {
    let mut warnings: Vec<Warning> = Vec::new();
    for pair in pairs.iter().filter(|p| p.guessed && p.is_cap(made)) {
        let Some(shift) = shoulder_shift_mm(pair, made).filter(|s| s.abs() > FIT_MM) else { continue };
        let Some(cap) = pair.sides[1].first() else { continue };
        if !file.pieces.iter().any(|p| p.name == cap.piece && p.draw == Draw::Half) {
            continue;
        }
        let text = format!(
            "{}: its shoulder point lies {:.1} mm {} its fold, because front and back armhole differ in length: write \
             \"draw\": \"whole\" with it, which puts the notch there, or match the fold to the shoulder seam and ease \
             the difference in",
            cap.piece,
            shift.abs(),
            if shift > 0.0 { "behind" } else { "in front of" }
        );
        if !warnings.iter().any(|w| w.text == text) {
            warnings.push(Warning::new("shoulder-off-fold", text));
        }
    }
    warnings
}

/// Does an edge start at the corner it shares with another?
fn starts_at(shape: &Shape, index: usize, from: &EdgeRef) -> Result<bool, Refusal> {
    match from.0.as_str() {
        "start" => return Ok(true),
        "end" => return Ok(false),
        _ => {}
    }
    let (before, after) = shape.neighbours(index);
    let answers = |i: usize| shape.edges[i].answers(from);
    match (answers(before), answers(after)) {
        (true, false) => Ok(true),
        (false, true) => Ok(false),
        (true, true) => Err(bad(
            format!("{} meets {from} at both ends", shape.edges[index].called()),
            "measure from \"start\" or \"end\"",
        )),
        (false, false) => Err(bad(
            format!("{} does not meet \"{from}\"", shape.edges[index].called()),
            format!(
                "it meets {} and {}; or measure from \"start\" or \"end\"",
                shape.edges[before].called(),
                shape.edges[after].called()
            ),
        )),
    }
}

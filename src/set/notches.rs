//! Where the notches of a piece go: its own, those it shares with its pairs, those of a sleeve set into its armhole.

use super::file::{Draw, EasedStretch, NotchFile, PieceFile, SetFile};
use super::pairs::{EdgeOf, Pair, is_back, is_reversed};
use super::pieces::{MadePiece, MadePieces};
use crate::draft::shape::{EdgeRef, Shape};
use crate::refusal::{Refusal, RefusalKind};
use crate::seams::NotchKind;
use crate::seams::request::{NotchPlace, NotchRequest};
use crate::units::Length;

/// Balance notches of armhole and cap stand so far along the armhole from the underarm (common practice, no source).
const BALANCE_SHARE: f64 = 1.0 / 3.0;
/// Front and back armholes this alike let one notch on a half cap serve both, mm.
const ALIKE_MM: f64 = 3.0;

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
        if is_back(self.name, self.own) { NotchKind::Double } else { NotchKind::Single }
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

    /// Single in front, double behind, at equal distances from the underarm on armhole and cap; the shoulder point.
    fn balance(&self, pair: &Pair, made: &MadePieces, draw: Draw) -> Result<Vec<PlacedNotch>, Refusal> {
        let mut notches = Vec::new();
        let mut distances = Vec::new();
        for edge in &pair.sides[0] {
            let (shape, index) = edge.on(made)?;
            let distance = BALANCE_SHARE * shape.edges[index].length_mm();
            let back = made.get(&edge.piece).is_some_and(|p| is_back(&edge.piece, p));
            distances.push((distance, back));
            if edge.piece == self.name {
                let at_start = starts_at(shape, index, &"side-seam".into()).unwrap_or(true);
                let length = shape.edges[index].length_mm();
                let along = if at_start { distance } else { length - distance };
                notches.push((self.request(index, along, self.usual_kind())?, Halves::Both));
            }
        }
        let [cap] = pair.sides[1].as_slice() else { return Ok(notches) };
        if cap.piece != self.name || self.own.shape.fold.is_none() {
            return Ok(notches);
        }
        let (shape, index) = cap.on(made)?;
        let length = shape.edges[index].length_mm();
        let at_start = starts_at(shape, index, &"underarm-seam".into()).unwrap_or(true);
        let along = |distance: f64| if at_start { distance } else { length - distance };
        if draw == Draw::Whole {
            for (distance, back) in &distances {
                let (kind, half) =
                    if *back { (NotchKind::Double, Halves::There) } else { (NotchKind::Single, Halves::Here) };
                notches.push((self.request(index, along(*distance), kind)?, half));
            }
            let top = self.request(index, along(length), NotchKind::Single)?;
            notches.push((top, Halves::Here));
        } else if let [(a, _), (b, _)] = distances.as_slice()
            && (a - b).abs() < ALIKE_MM
        {
            notches.push((self.request(index, along(0.5 * (a + b)), NotchKind::Single)?, Halves::Both));
        }
        Ok(notches)
    }
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

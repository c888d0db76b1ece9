//! What people type about a piece: `--edge-allowance 3=1in`, `--notch 2@13in:double:from-end`.

use std::fmt;
use std::str::FromStr;

use super::{NotchKind, NotchShape};
use crate::units::Length;

/// Where along its edge a notch sits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotchPlace {
    /// A distance along the stitching line from the edge's start.
    FromStart(Length),
    /// A distance along the stitching line from the edge's end.
    FromEnd(Length),
    /// A share of the edge's length, 0 to 1.
    Share(f64),
}

/// A notch as asked for.
///
/// Typed `EDGE@PLACE` with, after colons and in any order, `double` or `single`, `triangle` or `slit` and `from-end` or
/// `from-start`.
/// PLACE is a length (`13in`, `120mm`), a percentage (`25%`) or `middle`. Edges run anticlockwise, so an edge's start
/// is the corner it shares with the edge of the number before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NotchRequest {
    /// Number of the edge.
    pub edge: usize,
    /// Where.
    pub place: NotchPlace,
    /// One stroke or two.
    pub kind: NotchKind,
    /// Slit or triangle.
    pub shape: NotchShape,
    /// How deep from the cut line; `None`: 2/5 of the allowance, at most 6 mm.
    pub depth: Option<Length>,
}

/// An allowance for one edge, typed `EDGE=WIDTH`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeAllowance {
    /// Number of the edge.
    pub edge: usize,
    /// Width.
    pub width: Length,
}

/// A name for one edge, typed `EDGE=NAME`.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeName {
    /// Number of the edge.
    pub edge: usize,
    /// Its name.
    pub name: String,
}

/// Why something typed about a piece was not understood.
#[derive(Debug, Clone, PartialEq)]
pub struct RequestError(String);

impl fmt::Display for RequestError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for RequestError {}

fn edge_number(typed: &str, whole: &str, example: &str) -> Result<usize, RequestError> {
    match typed.trim().parse() {
        Ok(number) if number > 0 => Ok(number),
        _ => Err(RequestError(format!("\"{whole}\" does not begin with an edge number: write it as {example}"))),
    }
}

impl FromStr for EdgeAllowance {
    type Err = RequestError;

    fn from_str(typed: &str) -> Result<Self, RequestError> {
        let example = "EDGE=WIDTH, such as 3=1in";
        let (edge, width) = typed
            .split_once('=')
            .ok_or_else(|| RequestError(format!("\"{typed}\" has no \"=\": write it as {example}")))?;
        let edge = edge_number(edge, typed, example)?;
        let width = width.parse().map_err(|e| RequestError(format!("in \"{typed}\": {e}")))?;
        Ok(Self { edge, width })
    }
}

impl FromStr for EdgeName {
    type Err = RequestError;

    fn from_str(typed: &str) -> Result<Self, RequestError> {
        let example = "EDGE=NAME, such as 1=hem";
        match typed.split_once('=') {
            Some((edge, name)) if !name.trim().is_empty() => {
                Ok(Self { edge: edge_number(edge, typed, example)?, name: name.trim().to_string() })
            }
            _ => Err(RequestError(format!("\"{typed}\" names nothing: write it as {example}"))),
        }
    }
}

impl FromStr for NotchRequest {
    type Err = RequestError;

    fn from_str(typed: &str) -> Result<Self, RequestError> {
        let example = "EDGE@PLACE, such as 2@13in, 2@middle or 2@120mm:double:from-end";
        let wrong = |what: &str| RequestError(format!("\"{typed}\" {what}: write it as {example}"));
        let (edge, rest) = typed.split_once('@').ok_or_else(|| wrong("has no \"@\""))?;
        let edge = edge_number(edge, typed, example)?;
        let mut words = rest.split(':').map(str::trim);
        let place = words.next().unwrap_or_default();
        let mut kind = NotchKind::Single;
        let mut shape = NotchShape::Slit;
        let mut from_end = false;
        for word in words {
            match word {
                "single" => kind = NotchKind::Single,
                "double" => kind = NotchKind::Double,
                "slit" => shape = NotchShape::Slit,
                "triangle" => shape = NotchShape::Triangle,
                "from-start" => from_end = false,
                "from-end" => from_end = true,
                _ => return Err(wrong(&format!("has an unknown word \"{word}\""))),
            }
        }
        let place = if place == "middle" {
            NotchPlace::Share(0.5)
        } else if let Some(percent) = place.strip_suffix('%') {
            let share: f64 = percent.trim().parse().map_err(|_| wrong("has no percentage"))?;
            if !(0.0..=100.0).contains(&share) {
                return Err(wrong("has a percentage outside 0 to 100"));
            }
            NotchPlace::Share(if from_end { 1.0 - share / 100.0 } else { share / 100.0 })
        } else {
            let distance: Length = place.parse().map_err(|e| RequestError(format!("in \"{typed}\": {e}")))?;
            if from_end { NotchPlace::FromEnd(distance) } else { NotchPlace::FromStart(distance) }
        };
        Ok(Self { edge, place, kind, shape, depth: None })
    }
}

impl fmt::Display for NotchRequest {
    /// As it can be typed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place {
            NotchPlace::FromStart(distance) => write!(f, "{}@{distance}", self.edge)?,
            NotchPlace::FromEnd(distance) => write!(f, "{}@{distance}:from-end", self.edge)?,
            NotchPlace::Share(share) => write!(f, "{}@{}%", self.edge, 100.0 * share)?,
        }
        if self.kind == NotchKind::Double {
            f.write_str(":double")?;
        }
        if self.shape == NotchShape::Triangle { f.write_str(":triangle") } else { Ok(()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notches_as_people_type_them() {
        let notch: NotchRequest = "2@13in".parse().unwrap();
        assert_eq!((notch.edge, notch.kind), (2, NotchKind::Single));
        assert!(matches!(notch.place, NotchPlace::FromStart(d) if (d.mm() - 330.2).abs() < 1e-9));
        let notch: NotchRequest = "2@13in:double:from-end".parse().unwrap();
        assert_eq!(notch.kind, NotchKind::Double);
        assert!(matches!(notch.place, NotchPlace::FromEnd(_)));
        assert_eq!("5@25%:from-end".parse::<NotchRequest>().unwrap().place, NotchPlace::Share(0.75));
        assert_eq!("5@middle".parse::<NotchRequest>().unwrap().place, NotchPlace::Share(0.5));
    }

    #[test]
    fn what_is_shown_can_be_typed_again() {
        for typed in ["2@13in", "2@120mm:from-end:double", "3@25%", "1@0mm", "4@middle:triangle"] {
            let notch: NotchRequest = typed.parse().unwrap();
            assert_eq!(notch.to_string().parse::<NotchRequest>().unwrap(), notch, "{typed}");
        }
    }

    #[test]
    fn nonsense_is_refused_with_an_example() {
        for typed in ["", "2", "@13in", "0@13in", "x@13in", "2@", "2@13", "2@13in:triple", "2@120%", "2@nan%"] {
            let error = typed.parse::<NotchRequest>().unwrap_err().to_string();
            assert!(error.contains("such as"), "{typed}: {error}");
        }
        for typed in ["", "3", "=1in", "3=", "3=1", "-3=1in"] {
            let error = typed.parse::<EdgeAllowance>().unwrap_err().to_string();
            assert!(error.contains("such as"), "{typed}: {error}");
        }
    }
}

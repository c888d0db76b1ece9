//! Lengths as people type them, and the two kinds of point the chain uses.
//!
//! Frames (stated once, here):
//! - **Image**: pixels, x right, y down, the centre of the first pixel is (0, 0).
//! - **Mat**: millimetres, x right, y up (away from the maker), origin on a grid crossing.
//!
//! The two have different types so that they cannot meet in one expression.

use nalgebra::{Point2, Vector2};
use serde::{Deserialize, Serialize};

/// Millimetres in one inch (international yard and pound agreement, 1959; exact).
pub const MM_PER_INCH: f64 = 25.4;

/// No length that anyone types is longer, mm: a whole bolt of cloth is a tenth of it.
const LONGEST_MM: f64 = 1e6;

macro_rules! point_type {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
        #[serde(from = "[f64; 2]", into = "[f64; 2]")]
        pub struct $name {
            /// Right.
            pub x: f64,
            /// Down in the image frame, up in the mat frame.
            pub y: f64,
        }

        impl $name {
            /// A point from its coordinates.
            pub const fn new(x: f64, y: f64) -> Self {
                Self { x, y }
            }

            /// Straight-line distance to another point of the same frame.
            pub fn distance(self, other: Self) -> f64 {
                (self - other).norm()
            }

            /// The point a share `t` of the way to `other`.
            pub fn lerp(self, other: Self, t: f64) -> Self {
                self + (other - self) * t
            }

            /// Both coordinates are ordinary numbers.
            pub fn is_finite(self) -> bool {
                self.x.is_finite() && self.y.is_finite()
            }
        }

        impl std::ops::Sub for $name {
            type Output = Vector2<f64>;
            fn sub(self, other: Self) -> Vector2<f64> {
                Vector2::new(self.x - other.x, self.y - other.y)
            }
        }

        impl std::ops::Add<Vector2<f64>> for $name {
            type Output = Self;
            fn add(self, by: Vector2<f64>) -> Self {
                Self::new(self.x + by.x, self.y + by.y)
            }
        }

        impl std::ops::Sub<Vector2<f64>> for $name {
            type Output = Self;
            fn sub(self, by: Vector2<f64>) -> Self {
                Self::new(self.x - by.x, self.y - by.y)
            }
        }

        impl From<[f64; 2]> for $name {
            fn from([x, y]: [f64; 2]) -> Self {
                Self { x, y }
            }
        }

        impl From<$name> for [f64; 2] {
            fn from(p: $name) -> Self {
                [p.x, p.y]
            }
        }

        impl From<Point2<f64>> for $name {
            fn from(p: Point2<f64>) -> Self {
                Self { x: p.x, y: p.y }
            }
        }

        impl From<$name> for Point2<f64> {
            fn from(p: $name) -> Self {
                Point2::new(p.x, p.y)
            }
        }
    };
}

point_type!(
    /// A place in the photo, in pixels (x right, y down, first pixel's centre at the origin).
    ImagePoint
);
point_type!(
    /// A place on the mat or on a pattern piece, in millimetres (x right, y up).
    MatPoint
);

impl From<MatPoint> for kurbo::Point {
    fn from(p: MatPoint) -> Self {
        kurbo::Point::new(p.x, p.y)
    }
}

impl From<kurbo::Point> for MatPoint {
    fn from(p: kurbo::Point) -> Self {
        MatPoint::new(p.x, p.y)
    }
}

/// Why a typed length was not understood.
#[derive(Debug, Clone, PartialEq)]
pub struct LengthError {
    typed: String,
    reason: &'static str,
}

impl std::fmt::Display for LengthError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "\"{}\" {}: write a length with its unit, such as 1/2in, \"1 1/4in\", 3cm or 12.7mm",
            self.typed, self.reason
        )
    }
}

impl std::error::Error for LengthError {}

/// A length as typed by a person, held in millimetres; said again in the unit it was typed in.
///
/// 1 cm and 10 mm are the same length; 1 in and 25.4 mm are not, for they tell what the person thinks in.
#[derive(Debug, Clone, Copy)]
pub struct Length {
    mm: f64,
    unit: Unit,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Unit {
    Millimetres,
    Centimetres,
    Metres,
    Inches,
}

impl Unit {
    const fn mm(self) -> f64 {
        match self {
            Self::Millimetres => 1.0,
            Self::Centimetres => 10.0,
            Self::Metres => 1000.0,
            Self::Inches => MM_PER_INCH,
        }
    }

    /// How it is written, and decimals that tell a ten-thousandth of a millimetre (of an inch).
    const fn written(self) -> (&'static str, usize) {
        match self {
            Self::Millimetres => ("mm", 4),
            Self::Centimetres => ("cm", 5),
            Self::Metres => ("m", 7),
            Self::Inches => ("in", 4),
        }
    }
}

impl PartialEq for Length {
    fn eq(&self, other: &Self) -> bool {
        self.mm == other.mm && self.is_in_inches() == other.is_in_inches()
    }
}

impl PartialOrd for Length {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        (self.mm, self.is_in_inches()).partial_cmp(&(other.mm, other.is_in_inches()))
    }
}

impl Length {
    /// A length of so many millimetres, shown in millimetres.
    pub const fn from_mm(mm: f64) -> Self {
        Self { mm, unit: Unit::Millimetres }
    }

    /// A length of so many inches, shown in inches.
    pub const fn from_inches(inches: f64) -> Self {
        Self { mm: inches * MM_PER_INCH, unit: Unit::Inches }
    }

    /// The length in millimetres.
    pub const fn mm(self) -> f64 {
        self.mm
    }

    /// Was it typed in inches (so the person thinks in inches)?
    pub const fn is_in_inches(self) -> bool {
        matches!(self.unit, Unit::Inches)
    }
}

/// In files a length is what a person would type ("1/2in"), or a plain number of millimetres.
impl Serialize for Length {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Length {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged, expecting = "a length such as \"1/2in\" or \"3cm\"")]
        enum Written {
            Mm(f64),
            Typed(String),
        }
        match Written::deserialize(deserializer)? {
            Written::Mm(mm) if (0.0..=LONGEST_MM).contains(&mm) => Ok(Self::from_mm(mm)),
            Written::Mm(mm) => Err(serde::de::Error::custom(format!("{mm} is not a usable length"))),
            Written::Typed(typed) => typed.parse().map_err(serde::de::Error::custom),
        }
    }
}

impl schemars::JsonSchema for Length {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Length".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "description": "A length: with its unit, such as \"1/2in\", \"1 1/4in\", \"3cm\" or \"12.7mm\", or a number of mm.",
            "anyOf": [{ "type": "string", "examples": ["1/2in", "3cm"] }, { "type": "number", "minimum": 0 }],
        })
    }
}

impl schemars::JsonSchema for MatPoint {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Point".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "description": "A place, mm: x right, y up.",
            "type": "array", "items": { "type": "number" }, "minItems": 2, "maxItems": 2,
        })
    }
}

impl std::fmt::Display for Length {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (name, decimals) = self.unit.written();
        write!(f, "{}{name}", trim(self.mm / self.unit.mm(), decimals))
    }
}

/// Inches as a tape shows them, to the nearest sixteenth: "9 5/8 in".
pub fn tape_inches(mm: f64) -> String {
    let sixteenths = (16.0 * mm / MM_PER_INCH).round() as u64;
    let (whole, mut top, mut bottom) = (sixteenths / 16, sixteenths % 16, 16);
    while top > 0 && top % 2 == 0 {
        (top, bottom) = (top / 2, bottom / 2);
    }
    match (whole, top) {
        (whole, 0) => format!("{whole} in"),
        (0, top) => format!("{top}/{bottom} in"),
        (whole, top) => format!("{whole} {top}/{bottom} in"),
    }
}

/// A length for either tape: "24.5 cm (9 5/8 in)".
pub fn for_either_tape(mm: f64) -> String {
    format!("{:.1} cm ({})", mm / 10.0, tape_inches(mm))
}

fn trim(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

impl std::str::FromStr for Length {
    type Err = LengthError;

    /// Reads `12.7mm`, `3cm`, `1m`, `1/2in`, `1 1/4in`, `1-1/4"`. A bare `0` needs no unit.
    fn from_str(typed: &str) -> Result<Self, LengthError> {
        let fail = |reason| LengthError { typed: typed.to_string(), reason };
        let text = typed.trim().to_ascii_lowercase();
        let split = text.find(|c: char| c.is_ascii_alphabetic() || c == '"').unwrap_or(text.len());
        let (number, unit) = text.split_at(split);
        let value = parse_number(number.trim()).ok_or_else(|| fail("is not a length"))?;
        let unit = match unit.trim() {
            "mm" => Unit::Millimetres,
            "cm" => Unit::Centimetres,
            "m" => Unit::Metres,
            "in" | "inch" | "inches" | "\"" => Unit::Inches,
            "" if value == 0.0 => Unit::Millimetres,
            "" => return Err(fail("has no unit")),
            _ => return Err(fail("has an unknown unit")),
        };
        let mm = value * unit.mm();
        if !(0.0..=LONGEST_MM).contains(&mm) {
            return Err(fail("is not a usable length"));
        }
        Ok(Self { mm, unit })
    }
}

/// A decimal number, a fraction `a/b`, or a whole number and a fraction `n a/b` or `n-a/b`.
fn parse_number(text: &str) -> Option<f64> {
    let plain = |t: &str| -> Option<f64> {
        let digits = t.chars().all(|c| c.is_ascii_digit() || c == '.' || c == ',');
        if t.is_empty() || !digits { None } else { t.replace(',', ".").parse().ok() }
    };
    let fraction = |t: &str| -> Option<f64> {
        let (a, b) = t.split_once('/')?;
        let b = plain(b.trim())?;
        if b == 0.0 { None } else { Some(plain(a.trim())? / b) }
    };
    if !text.contains('/') {
        return plain(text);
    }
    match text.split_once([' ', '-']) {
        Some((whole, rest)) if !whole.contains('/') => Some(plain(whole.trim())? + fraction(rest.trim())?),
        _ => fraction(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_as_people_type_them() {
        for (typed, mm) in [
            ("1/2in", 12.7),
            ("1 1/4in", 31.75),
            ("1-1/4\"", 31.75),
            ("3cm", 30.0),
            ("12.7mm", 12.7),
            ("2,5 cm", 25.0),
            ("1m", 1000.0),
            ("5/8in", 15.875),
            ("0", 0.0),
            ("13in", 330.2),
        ] {
            let length: Length = typed.parse().unwrap();
            assert!((length.mm() - mm).abs() < 1e-9, "{typed} gave {}", length.mm());
        }
    }

    #[test]
    fn a_length_is_said_in_the_unit_it_was_typed_in_and_read_again_the_same() {
        for (typed, said) in [
            ("30 cm", "30cm"),
            ("450mm", "450mm"),
            ("1m", "1m"),
            ("18 in", "18in"),
            ("1,25m", "1.25m"),
            ("1/2in", "0.5in"),
        ] {
            let length: Length = typed.parse().unwrap();
            assert_eq!(length.to_string(), said);
            assert_eq!(said.parse::<Length>().unwrap(), length);
        }
        assert_eq!("1cm".parse::<Length>(), "10mm".parse());
        assert_ne!("1in".parse::<Length>(), "25.4mm".parse());
    }

    #[test]
    fn nonsense_lengths_are_refused_with_a_remedy() {
        for typed in ["banana", "", "1", "1/0in", "-3cm", "3 parsecs", "nan mm", "1e9mm", "2000000m", "in"] {
            let error = typed.parse::<Length>().unwrap_err().to_string();
            assert!(error.contains("such as"), "{typed}: {error}");
        }
    }
}

//! Mat descriptions: what a person once measured on their own mat with a steel tape.
//!
//! Printed grids are off by up to one per cent, differently along the two directions. Counting
//! squares and measuring them once ("50 squares = 507 mm") removes that error from every photo.

use serde::{Deserialize, Serialize};

use crate::refusal::{Refusal, RefusalKind};
use crate::units::Length;

/// The scale doubt of a printed grid nobody has measured, as a share (half-width, 95 %).
pub const UNMEASURED_SCALE_DOUBT: f64 = 0.005;

/// How far a tape reading may be off at each end, mm.
const TAPE_READING_MM: f64 = 0.35;

/// The measured length may differ from the nominal one by this share before it looks like a slip.
const PLAUSIBLE_MISPRINT: f64 = 0.03;

/// A mat description as its file holds it (`calibration/mats/NAME.json`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MatDescription {
    /// Always "clothline-mat".
    pub format: String,
    /// Version of this form, 1.
    pub version: u32,
    /// The name it is called by.
    pub name: String,
    /// The printed distance between lines, as typed ("1in", "1cm").
    pub grid: String,
    /// What the tape said along the mat's long side.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub along_long_side: Option<TapeReading>,
    /// What the tape said along the mat's short side.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub along_short_side: Option<TapeReading>,
    /// Anything worth knowing: who measured, with what, when.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// So many squares measure so much.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TapeReading {
    /// Number of squares between the two lines measured.
    pub squares: u32,
    /// The length over them, as typed ("507mm").
    pub length: String,
}

/// The pitch of a grid along its two sides, and what it is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pitch {
    /// The printed pitch.
    pub nominal: Length,
    /// True pitch along the mat's long side, mm.
    pub long_side_mm: f64,
    /// True pitch along the mat's short side, mm.
    pub short_side_mm: f64,
    /// Half-width of the scale doubt, as a share (0.005 = 0.5 %).
    pub doubt: f64,
    /// Has a person measured it?
    pub measured: bool,
}

impl Pitch {
    /// A printed pitch that nobody has measured.
    pub fn nominal(pitch: Length) -> Self {
        let mm = pitch.mm();
        Self { nominal: pitch, long_side_mm: mm, short_side_mm: mm, doubt: UNMEASURED_SCALE_DOUBT, measured: false }
    }

    /// The pitch where `squares` squares were measured as `length`, in both directions alike.
    ///
    /// # Errors
    /// If the reading is more than 3 % off the printed pitch, or of no length.
    pub fn measured(pitch: Length, squares: u32, length: Length) -> Result<Self, Refusal> {
        let (mm, doubt) = read_tape(pitch, squares, length, "the mat")?;
        Ok(Self { nominal: pitch, long_side_mm: mm, short_side_mm: mm, doubt, measured: true })
    }

    /// The mean of both directions, mm.
    pub fn mean_mm(&self) -> f64 {
        0.5 * (self.long_side_mm + self.short_side_mm)
    }
}

impl MatDescription {
    /// Reads a description from its JSON.
    ///
    /// # Errors
    /// If it is not one, is of a newer version, or holds lengths that make no sense.
    pub fn parse(json: &str) -> Result<Self, Refusal> {
        let description: Self = serde_json::from_str(json).map_err(|e| {
            bad(format!("this mat description cannot be read ({e})"), "compare it with the ones in calibration/mats")
        })?;
        if description.format != "clothline-mat" {
            return Err(bad(
                format!("the file says it is \"{}\"", description.format),
                "a mat description says \"format\": \"clothline-mat\"",
            ));
        }
        if description.version != 1 {
            return Err(bad(
                format!("the mat description is of version {}", description.version),
                "this program reads version 1: bring the program up to date",
            ));
        }
        description.pitch()?;
        Ok(description)
    }

    /// The pitch this mat really has.
    ///
    /// # Errors
    /// If a length cannot be read or is too far from the printed one to be a misprint.
    pub fn pitch(&self) -> Result<Pitch, Refusal> {
        let nominal: Length = read_length(&self.grid)?;
        if nominal.mm() <= 0.0 {
            return Err(bad("the mat's grid is given as 0", "write the printed distance between lines, such as 1in"));
        }
        let side = |reading: &Option<TapeReading>, name: &str| -> Result<Option<(f64, f64)>, Refusal> {
            reading
                .as_ref()
                .map(|r| read_tape(nominal, r.squares, read_length(&r.length)?, &format!("the mat's {name} side")))
                .transpose()
        };
        let long = side(&self.along_long_side, "long")?;
        let short = side(&self.along_short_side, "short")?;
        Ok(match (long, short) {
            (Some((l, dl)), Some((s, ds))) => {
                Pitch { nominal, long_side_mm: l, short_side_mm: s, doubt: dl.max(ds), measured: true }
            }
            (Some((mm, doubt)), None) | (None, Some((mm, doubt))) => Pitch {
                nominal,
                long_side_mm: mm,
                short_side_mm: mm,
                // The other direction was never measured: it may stretch differently.
                doubt: doubt + 0.5 * UNMEASURED_SCALE_DOUBT,
                measured: true,
            },
            (None, None) => Pitch::nominal(nominal),
        })
    }
}

/// (pitch in mm, doubt as a share) from one tape reading.
fn read_tape(pitch: Length, squares: u32, length: Length, what: &str) -> Result<(f64, f64), Refusal> {
    if squares == 0 || length.mm() <= 0.0 {
        return Err(bad(
            format!("{what} is said to measure {length} over {squares} squares"),
            "count at least 10 squares and measure them in one go with a steel tape, such as 20=507mm",
        ));
    }
    let mm = length.mm() / f64::from(squares);
    let misprint = mm / pitch.mm() - 1.0;
    if misprint.abs() > PLAUSIBLE_MISPRINT {
        return Err(bad(
            format!(
                "{squares} squares of {pitch} should measure about {:.0} mm, but {what} is said to measure {:.1} mm",
                f64::from(squares) * pitch.mm(),
                length.mm()
            ),
            "count the squares and read the tape again; a misprint is rarely over 1 %",
        ));
    }
    Ok((mm, (2.0f64).sqrt() * TAPE_READING_MM / length.mm()))
}

fn read_length(typed: &str) -> Result<Length, Refusal> {
    typed.parse().map_err(|e: crate::units::LengthError| bad("a length in the mat description", e.to_string()))
}

fn bad(seen: impl Into<String>, advice: impl Into<String>) -> Refusal {
    Refusal::new(RefusalKind::BadRequest, seen, advice)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_measured_mat_has_its_own_pitch_in_each_direction() {
        let json = r#"{"format":"clothline-mat","version":1,"name":"attic","grid":"1in",
            "along_long_side":{"squares":30,"length":"765mm"},"along_short_side":{"squares":20,"length":"507mm"}}"#;
        let pitch = MatDescription::parse(json).unwrap().pitch().unwrap();
        assert!((pitch.long_side_mm - 25.5).abs() < 1e-12);
        assert!((pitch.short_side_mm - 25.35).abs() < 1e-12);
        assert!(pitch.doubt < 0.0011 && pitch.doubt > 0.0005);
    }

    #[test]
    fn slips_of_the_tape_are_refused() {
        for json in [
            r#"{"format":"clothline-mat","version":1,"name":"a","grid":"1in","along_long_side":{"squares":21,"length":"507mm"}}"#,
            r#"{"format":"clothline-mat","version":1,"name":"a","grid":"1in","along_long_side":{"squares":0,"length":"507mm"}}"#,
            r#"{"format":"clothline-mat","version":2,"name":"a","grid":"1in"}"#,
            r#"{"format":"other","version":1,"name":"a","grid":"1in"}"#,
            r#"{"format":"clothline-mat","version":1,"name":"a","grid":"0"}"#,
            r#"{"format":"clothline-mat","version":1,"name":"a","grid":"1in","squares":3}"#,
            "[]",
        ] {
            assert!(MatDescription::parse(json).is_err(), "{json}");
        }
    }
}

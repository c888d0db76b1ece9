//! Which of the rulings seen is the pitch that was typed, and does what is seen contradict it?
//!
//! A photo has no scale of its own, so this weighs two things aloud: how usual the spacings are
//! that each reading implies for the other rulings (inch mats halve and quarter, and count to 6 and 12;
//! centimetre mats go by 5 and 10), and how wide the photo's view would then be (garments are 0.3 to
//! 3 m). The weights below are judgement, from the mats on sale; they decide nothing silently: a close
//! call and an unusual reading both end in a warning.

use crate::refusal::Warning;
use crate::units::{Length, MM_PER_INCH};

/// Middle of the views expected, mm, and the factor that is one standard deviation.
const USUAL_VIEW_MM: f64 = 1000.0;
const VIEW_FACTOR: f64 = 1.8;
/// Views narrower or wider than this are doubted aloud, mm.
const PLAUSIBLE_VIEW_MM: std::ops::RangeInclusive<f64> = 200.0..=7000.0;
/// A second reading this near the first (factor) is spoken of.
const CLOSE_CALL: f64 = 6.0;
/// A reading this unusual is a contradiction.
const UNUSUAL: f64 = 0.15;
/// Weight of a spacing that no usual mat has.
const UNHEARD_OF: f64 = 0.02;

/// What the photo shows, in units of the finest ruling.
#[derive(Debug, Clone, PartialEq)]
pub struct Rulings {
    /// Spacings of the rulings in finest units, ascending, starting with 1.
    pub levels: Vec<u32>,
    /// Long side of the photo in finest units.
    pub view: f64,
}

/// The ruling taken for the typed pitch.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Its spacing in finest units.
    pub level: u32,
    /// Chance-like weight of this reading among all readings, 0-1.
    pub confidence: f64,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Decides which ruling has the typed pitch.
pub fn read(rulings: &Rulings, typed_mm: f64) -> Reading {
    let mut readings: Vec<(u32, f64, f64)> = rulings
        .levels
        .iter()
        .map(|&level| {
            let custom = customs(rulings, level, typed_mm);
            let view_mm = rulings.view * typed_mm / f64::from(level);
            let off = (view_mm / USUAL_VIEW_MM).ln() / VIEW_FACTOR.ln();
            (level, custom * (-0.5 * off * off).exp(), custom)
        })
        .collect();
    readings.sort_by(|a, b| b.1.total_cmp(&a.1));
    let Some(&(level, weight, custom)) = readings.first() else {
        return Reading { level: 1, confidence: 1.0, warnings: Vec::new() };
    };
    let total: f64 = readings.iter().map(|r| r.1).sum();
    let mut warnings = Vec::new();
    if custom < UNUSUAL {
        warnings.push(contradicted(rulings, level, typed_mm));
    } else if !is_inch(typed_mm) && is_only_halved(rulings, level) {
        warnings.push(halved(typed_mm));
    }
    if let Some(second) = readings.get(1).filter(|r| custom >= UNUSUAL && r.1 * CLOSE_CALL > weight) {
        warnings.push(ambiguous(level, second.0, typed_mm));
    }
    let view_mm = rulings.view * typed_mm / f64::from(level);
    if !PLAUSIBLE_VIEW_MM.contains(&view_mm) {
        warnings.push(implausible_view(view_mm, typed_mm));
    }
    Reading { level, confidence: weight / total.max(f64::MIN_POSITIVE), warnings }
}

/// Is the length a whole number of sixteenths of an inch?
fn is_inch(mm: f64) -> bool {
    let sixteenths = mm / MM_PER_INCH * 16.0;
    sixteenths > 0.9 && (sixteenths - sixteenths.round()).abs() < 1e-3 * sixteenths
}

/// The other rulings against the typed one, as reduced fractions.
fn ratios(rulings: &Rulings, level: u32) -> impl Iterator<Item = (u32, u32)> + '_ {
    rulings.levels.iter().filter(move |&&l| l != level).map(move |&l| {
        let common = gcd(l, level);
        (l / common, level / common)
    })
}

/// Halves and no fives or tens: no word from the ruling that it is metric.
fn is_only_halved(rulings: &Rulings, level: u32) -> bool {
    let by_five = |r: (u32, u32)| r.0.is_multiple_of(5) || r.1.is_multiple_of(5);
    ratios(rulings, level).any(|r| r == (1, 2)) && !ratios(rulings, level).any(by_five)
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a.max(1) } else { gcd(b, a % b) }
}

/// How usual the other rulings' spacings are if this level has the typed pitch. A mat that counts by fives against custom has
/// its tens by the same habit: what is unheard of counts once.
fn customs(rulings: &Rulings, level: u32, typed_mm: f64) -> f64 {
    let custom = |(l, of): (u32, u32)| {
        let mm = typed_mm * f64::from(l) / f64::from(of);
        if is_inch(typed_mm) { inch_custom(mm / MM_PER_INCH, l, of) } else { metric_custom(mm, l, of) }
    };
    let (heard_of, unheard_of): (Vec<f64>, Vec<f64>) =
        ratios(rulings, level).map(custom).partition(|custom| *custom > UNHEARD_OF);
    heard_of.iter().product::<f64>() * unheard_of.first().unwrap_or(&1.0)
}

fn listed(table: &[(f64, f64)], value: f64) -> Option<f64> {
    table.iter().find(|(v, _)| (value / v - 1.0).abs() < 1e-3).map(|t| t.1)
}

fn metric_custom(mm: f64, l: u32, of: u32) -> f64 {
    const USUAL: [(f64, f64); 10] = [
        (1.0, 0.7),
        (2.0, 0.15),
        (5.0, 1.0),
        (10.0, 1.0),
        (20.0, 0.2),
        (50.0, 1.0),
        (100.0, 1.0),
        (200.0, 0.2),
        (250.0, 0.2),
        (500.0, 0.5),
    ];
    let by_tens = matches!((l.min(of), l.max(of)), (1, 2 | 5 | 10));
    listed(&USUAL, mm).filter(|_| l.is_multiple_of(5) || of.is_multiple_of(5) || by_tens).unwrap_or(if by_tens {
        0.2
    } else {
        UNHEARD_OF
    })
}

fn inch_custom(inches: f64, l: u32, of: u32) -> f64 {
    const USUAL: [(f64, f64); 10] = [
        (1.0 / 16.0, 0.2),
        (1.0 / 8.0, 1.0),
        (1.0 / 4.0, 1.0),
        (1.0 / 2.0, 1.0),
        (1.0, 1.0),
        (2.0, 0.2),
        (3.0, 0.3),
        (4.0, 0.2),
        (6.0, 0.5),
        (12.0, 0.7),
    ];
    let by_halves = matches!((l.min(of), l.max(of)), (1, 2 | 3 | 4 | 6 | 8 | 12));
    listed(&USUAL, inches).unwrap_or(if by_halves { 0.2 } else { UNHEARD_OF })
}

fn shown(mm: f64) -> String {
    if is_inch(mm) { Length::from_inches(mm / MM_PER_INCH).to_string() } else { Length::from_mm(mm).to_string() }
}

/// "divided in 8" and "bold every 5", as seen from a level.
fn described(rulings: &Rulings, level: u32) -> String {
    let parts: Vec<String> = ratios(rulings, level)
        .map(|(l, of)| match (l, of) {
            (1, _) => format!("cells divided in {of}"),
            (_, 1) => format!("a bold line every {l}"),
            _ => format!("other lines {l}/{of} as far apart"),
        })
        .collect();
    parts.join(", ")
}

fn contradicted(rulings: &Rulings, level: u32, typed_mm: f64) -> Warning {
    let other = if is_inch(typed_mm) { "centimetre" } else { "inch" };
    Warning::new(
        "pitch-contradicted",
        format!(
            "the grid shows {}; with lines {} apart that would be unusual, on {other} mats it is common: \
             check the spacing with a ruler before cutting, every length hangs on it",
            described(rulings, level),
            shown(typed_mm),
        ),
    )
}

fn halved(typed_mm: f64) -> Warning {
    Warning::new(
        "pitch-doubtful",
        format!(
            "the grid's cells are halved, which inch mats do oftener than centimetre mats: \
             check that bold lines really are {} apart",
            shown(typed_mm)
        ),
    )
}

fn ambiguous(level: u32, second: u32, typed_mm: f64) -> Warning {
    let (taken, other) = if level > second { ("bolder", "finer") } else { ("finer", "bolder") };
    Warning::new(
        "pitch-ambiguous",
        format!(
            "two rulings could be the {} grid; the {taken} lines were taken, the {other} ones would change every \
             length by a factor of {}: check one known length before cutting",
            shown(typed_mm),
            shown_factor(level, second),
        ),
    )
}

fn shown_factor(level: u32, second: u32) -> String {
    let factor = f64::from(level.max(second)) / f64::from(level.min(second).max(1));
    let text = format!("{factor:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

fn implausible_view(view_mm: f64, typed_mm: f64) -> Warning {
    Warning::new(
        "view-implausible",
        format!(
            "with lines {} apart the photo would show {:.2} m from edge to edge, which is odd for a garment: \
             check the spacing typed",
            shown(typed_mm),
            view_mm / 1000.0
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(levels: &[u32], view: f64, typed_mm: f64) -> (u32, Vec<String>) {
        let reading = read(&Rulings { levels: levels.to_vec(), view }, typed_mm);
        (reading.level, reading.warnings.into_iter().map(|w| w.code).collect())
    }

    #[test]
    fn usual_mats_are_read_as_typed_and_in_silence() {
        // (levels, long side of the photo in finest units, typed mm, level meant)
        for (levels, view, typed, meant) in [
            (vec![1], 60.0, 25.4, 1),
            (vec![1, 5], 130.0, 10.0, 1),
            (vec![1, 10], 100.0, 10.0, 1),
            (vec![1, 5], 130.0, 50.0, 5),
            (vec![1, 2], 100.0, 25.4, 2),
            (vec![1, 4, 8], 300.0, 25.4, 8),
            (vec![1, 4, 8], 300.0, 12.7, 4),
            (vec![1, 8], 300.0, 25.4, 8),
            (vec![1, 6], 50.0, 25.4, 1),
            (vec![1, 12], 50.0, 25.4, 1),
            (vec![1, 5, 10], 900.0, 10.0, 10),
            (vec![1], 7.0, 300.0, 1),
        ] {
            let (level, warnings) = level(&levels, view, typed);
            assert_eq!(level, meant, "{levels:?} typed {typed}");
            assert!(warnings.is_empty(), "{levels:?} typed {typed}: {warnings:?}");
        }
    }

    #[test]
    fn the_other_systems_habits_contradict() {
        for (levels, view, typed) in [
            (vec![1, 4, 8], 300.0, 10.0),
            (vec![1, 8], 300.0, 10.0),
            (vec![1, 4], 200.0, 10.0),
            (vec![1, 12], 50.0, 10.0),
            (vec![1, 6], 60.0, 10.0),
            (vec![1, 5], 130.0, 25.4),
            (vec![1, 10], 100.0, 25.4),
        ] {
            let (_, warnings) = level(&levels, view, typed);
            assert!(warnings.contains(&"pitch-contradicted".to_string()), "{levels:?} typed {typed}: {warnings:?}");
        }
        assert!(level(&[1, 2], 200.0, 10.0).1.contains(&"pitch-doubtful".to_string()));
    }

    #[test]
    fn against_all_custom_the_view_decides() {
        // Half-inch lines, bold every five and ten: the bold ones would make the photo 19 cm wide.
        let (level, warnings) = level(&[1, 5, 10], 74.0, 12.7);
        assert_eq!(level, 1);
        assert!(warnings.contains(&"pitch-contradicted".to_string()), "{warnings:?}");
    }

    #[test]
    fn close_calls_and_absurd_views_are_spoken_of() {
        // Millimetre paper or a very large centimetre mat: nothing in the photo tells.
        assert!(level(&[1, 10], 310.0, 10.0).1.contains(&"pitch-ambiguous".to_string()));
        // 1/8 in typed where only inch lines are seen: the view would be 16 cm.
        assert_eq!(level(&[1], 50.0, 3.175).1, ["view-implausible"]);
    }
}

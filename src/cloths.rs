//! How thick common cloths lie, for those who cannot measure the folded garment.
//!
//! Common practice, no source: one layer lying flat under its own weight, pressed or smoothed. The same name covers
//! lighter and heavier makes, so the doubt is wide; a ruler against the folded edge beats the table.

use serde::{Deserialize, Serialize};

/// Half-width (95 %) of a table value's doubt, as a share of it.
const TABLE_DOUBT: f64 = 0.35;

/// Doubt that no stack of cloth is under, mm: layers do not lie quite close.
const LEAST_DOUBT_MM: f64 = 0.2;

/// A cloth and the height of one layer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cloth {
    /// The name it is asked for by.
    pub name: &'static str,
    /// Height of one layer, mm.
    pub layer_mm: f64,
}

/// The table, from thin to thick.
pub const CLOTHS: &[Cloth] = &[
    Cloth { name: "lining", layer_mm: 0.15 },
    Cloth { name: "voile", layer_mm: 0.2 },
    Cloth { name: "lawn", layer_mm: 0.25 },
    Cloth { name: "shirting", layer_mm: 0.3 },
    Cloth { name: "linen", layer_mm: 0.45 },
    Cloth { name: "jersey", layer_mm: 0.6 },
    Cloth { name: "twill", layer_mm: 0.6 },
    Cloth { name: "flannel", layer_mm: 0.7 },
    Cloth { name: "denim", layer_mm: 0.85 },
    Cloth { name: "canvas", layer_mm: 0.85 },
    Cloth { name: "rib", layer_mm: 1.0 },
    Cloth { name: "sweatshirt", layer_mm: 1.05 },
    Cloth { name: "corduroy", layer_mm: 1.1 },
    Cloth { name: "knitwear", layer_mm: 2.0 },
    Cloth { name: "fleece", layer_mm: 2.2 },
    Cloth { name: "coating", layer_mm: 2.4 },
    Cloth { name: "quilted", layer_mm: 5.0 },
];

/// Most layers a folded garment is believed to have.
pub const MOST_LAYERS: u32 = 16;

impl Cloth {
    /// The cloth of a name; capitals do not matter.
    pub fn named(name: &str) -> Option<Self> {
        CLOTHS.iter().find(|cloth| cloth.name.eq_ignore_ascii_case(name.trim())).copied()
    }

    /// Height of so many layers, mm, and its half-width of doubt (95 %).
    pub fn stack(&self, layers: u32) -> (f64, f64) {
        let mm = f64::from(layers) * self.layer_mm;
        (mm, (TABLE_DOUBT * mm).max(LEAST_DOUBT_MM))
    }
}

/// How the height of the folded garment is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ThicknessSource {
    /// Measured by the person.
    Measured,
    /// From the number of layers and the table of cloths.
    Layers,
    /// Nothing was said: four layers of T-shirt cloth.
    Assumed,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_rises_and_holds_what_people_name() {
        assert!(CLOTHS.windows(2).all(|w| w[0].layer_mm <= w[1].layer_mm));
        for name in ["jersey", "Denim", " sweatshirt ", "fleece"] {
            assert!(Cloth::named(name).is_some(), "{name}");
        }
        assert_eq!(Cloth::named("iron"), None);
    }

    /// Four folded layers of a sweatshirt are about 4 mm (measured by sewers; common practice, no source).
    #[test]
    fn four_layers_of_sweatshirt_are_about_four_millimetres() {
        let (mm, doubt) = Cloth::named("sweatshirt").map(|c| c.stack(4)).unwrap_or_default();
        assert!((mm - 4.0).abs() < doubt && (1.0..2.0).contains(&doubt), "{mm} +- {doubt}");
    }
}

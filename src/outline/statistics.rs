//! What a person should know about an outline as a whole.

use super::Outline;
use super::blur::Blur;
use crate::flat;
use crate::garment::Garment;
use crate::refusal::Warning;
use crate::units::MatPoint;

/// A stretch shorter than this is not worth a word, mm.
const STRETCH_MM: f64 = 10.0;

/// Smear (standard deviation) from which the photo is called soft: so many pixels, and so many mm.
const SOFT_PX: f64 = 1.7;
const SOFT_MM: f64 = 0.45;

/// 10 to 90 % of a Gaussian's step, in standard deviations.
const TENTHS: f64 = 2.563;

/// Lengths along the outline and its doubt, mm.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Statistics {
    /// The outline's length.
    pub length_mm: f64,
    /// Length over which the edge was not seen.
    pub unseen_mm: f64,
    /// Middles and lengths of the stretches not seen.
    pub unseen: Vec<(MatPoint, f64)>,
    /// Length that lies beyond the mat's printed grid.
    pub beyond_grid_mm: f64,
    /// Middle and largest of the points' doubts.
    pub doubt_mm: (f64, f64),
    /// Width over which a photo out of focus smears the sharpest edges (10 to 90 %); `None` where it is sharp.
    pub smeared_mm: Option<f64>,
}

impl Statistics {
    pub(crate) fn of(outline: &Outline, garment: &Garment, blur: &Blur, pixel_mm: f64) -> Self {
        let points = &outline.points;
        let n = points.len();
        let step = |i: usize| points[i].at.distance(points[(i + 1) % n].at);
        let mut doubts: Vec<f64> = points.iter().map(|p| p.doubt_mm).collect();
        doubts.sort_by(f64::total_cmp);
        let beyond = |i: &usize| garment.extent.depth_mm(points[*i].at) < 0.0;
        let unseen = unseen_stretches(outline);
        Self {
            length_mm: (0..n).map(step).sum(),
            unseen_mm: unseen.iter().map(|s| s.1).sum(),
            unseen,
            beyond_grid_mm: (0..n).filter(beyond).map(step).sum(),
            doubt_mm: (doubts.get(n / 2).copied().unwrap_or(0.0), doubts.last().copied().unwrap_or(0.0)),
            smeared_mm: (blur.sigma_mm > SOFT_MM.max(SOFT_PX * pixel_mm)).then_some(TENTHS * blur.sigma_mm),
        }
    }

    /// The warnings these numbers call for.
    pub(crate) fn warnings(&self, outline: &Outline) -> Vec<Warning> {
        let mut out = Vec::new();
        if self.unseen_mm > STRETCH_MM {
            out.push(Warning::new("edge-not-seen", self.unseen_sentence(outline)));
        }
        if self.beyond_grid_mm > STRETCH_MM {
            let text = format!(
                "{:.0} mm of the edge lie beyond the mat's grid, where the scale is carried on, not measured: \
                 lay the garment wholly on the mat if you can",
                self.beyond_grid_mm
            );
            out.push(Warning::new("beyond-the-mat", text));
        }
        if let Some(smeared) = self.smeared_mm {
            let text = format!(
                "the photo is soft: even the sharpest edges of the cloth are smeared over {smeared:.1} mm. Wipe the lens, hold \
                 the camera still or use its timer, tap to focus on the cloth, and retake"
            );
            out.push(Warning::new("edge-soft", text));
        }
        out
    }

    fn unseen_sentence(&self, outline: &Outline) -> String {
        let share = 100.0 * self.unseen_mm / self.length_mm.max(1.0);
        let longest = self.unseen.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        let place = longest.map_or(String::new(), |(p, length)| {
            let ring: Vec<MatPoint> = outline.points.iter().map(|p| p.at).collect();
            format!("; the longest, {length:.0} mm, lies {}", flat::place_in_words(&ring, *p))
        });
        format!(
            "{:.0} mm of the edge ({share:.0} %) could not be told from the mat and are bridged{place}: check them \
             against the garment, or retake on a mat or paper of another colour",
            self.unseen_mm
        )
    }
}

/// Middle and length of every run of points not seen, from [`STRETCH_MM`] on.
fn unseen_stretches(outline: &Outline) -> Vec<(MatPoint, f64)> {
    let points = &outline.points;
    let n = points.len();
    let Some(start) = (0..n).find(|i| points[*i].seen) else {
        let length = (0..n).map(|i| points[i].at.distance(points[(i + 1) % n].at)).sum();
        return points.first().map(|p| (p.at, length)).into_iter().collect();
    };
    let mut out = Vec::new();
    let mut run: Vec<MatPoint> = Vec::new();
    for k in 0..=n {
        let p = &points[(start + k) % n];
        if !p.seen {
            run.push(p.at);
        } else if !run.is_empty() {
            let length = run.windows(2).map(|w| w[0].distance(w[1])).sum();
            if length >= STRETCH_MM {
                out.push((run[run.len() / 2], length));
            }
            run.clear();
        }
    }
    out
}

//! Levenberg-Marquardt with a robust loss over the line model (Hartley & Zisserman A6.2; the loss
//! reweighted at every step; soft-L1 first, Cauchy only once the fit is close).

use nalgebra::SMatrix;
use rayon::prelude::*;

use super::line_model::{Frame, K1, K2, PARAMS, Params, Residual, Side};

/// Sightings a thread works on at a time; fixed, so that sums round alike on any machine.
const CHUNK: usize = 256;

/// Square matrix over the parameters.
pub(super) type Square = SMatrix<f64, PARAMS, PARAMS>;

/// How residuals far from zero are held down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Loss {
    /// 2 (sqrt(1 + z) - 1): far ones still pull, but no harder than one near.
    SoftL1,
    /// ln(1 + z): far ones hardly pull.
    Cauchy,
}

impl Loss {
    fn cost_and_weight(self, z: f64) -> (f64, f64) {
        match self {
            Self::SoftL1 => {
                let root = (1.0 + z).sqrt();
                (2.0 * (root - 1.0), 1.0 / root)
            }
            Self::Cauchy => (z.ln_1p(), 1.0 / (1.0 + z)),
        }
    }
}

/// What is minimised.
#[derive(Debug, Clone, Copy)]
pub(super) struct Objective {
    /// The loss.
    pub loss: Loss,
    /// Residual at which it bends, px.
    pub bend_px: f64,
    /// One standard deviation of a sighting, px.
    pub sigma_px: f64,
    /// Independent observations to one sighting (lines over sides): sides of one line err together.
    pub share: f64,
    /// Standard deviations of what is believed of k1 and k2 beforehand; zero holds a term at zero.
    pub lens_sigma: [f64; 2],
}

/// The normal equations at a point.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    /// Half the Hessian (Gauss-Newton), prior included.
    pub matrix: Square,
    /// Half the gradient.
    pub gradient: Params,
    /// Half the objective.
    pub cost: f64,
}

impl Objective {
    /// Weight of a residual in the normal equations.
    pub(super) fn weight(&self, px: f64) -> f64 {
        self.share / self.sigma_px.powi(2) * self.robust_weight(px)
    }

    /// The loss's weight alone, 1 at zero.
    pub(super) fn robust_weight(&self, px: f64) -> f64 {
        self.loss.cost_and_weight((px / self.bend_px).powi(2)).1
    }

    /// Cost of a residual in squared pixels (px^2 where it is small).
    pub(super) fn cost_px2(&self, px: f64) -> f64 {
        self.bend_px.powi(2) * self.loss.cost_and_weight((px / self.bend_px).powi(2)).0
    }

    fn normal(&self, frame: &Frame, p: &Params, sides: &[Side]) -> Normal {
        let part = |sides: &[Side]| {
            let mut normal = Normal::zero();
            for side in sides {
                let r = frame.residual(p, side);
                normal.cost += 0.5 * self.share / self.sigma_px.powi(2) * self.cost_px2(r.px);
                normal.add(&r, self.weight(r.px));
            }
            normal
        };
        let parts: Vec<Normal> = sides.par_chunks(CHUNK).map(part).collect();
        let mut normal = parts.iter().fold(self.prior(p), |sum, part| Normal {
            matrix: sum.matrix + part.matrix,
            gradient: sum.gradient + part.gradient,
            cost: sum.cost + part.cost,
        });
        normal.matrix.fill_lower_triangle_with_upper_triangle();
        normal
    }

    /// The normal equations of the lens prior alone.
    pub(super) fn prior(&self, p: &Params) -> Normal {
        let mut normal = Normal::zero();
        for (i, sigma) in [(K1, self.lens_sigma[0]), (K2, self.lens_sigma[1])] {
            // A term held at zero still needs a pivot; its gradient is cut off in `step`.
            let precision = if sigma > 0.0 { sigma.powi(-2) } else { 1.0 };
            normal.matrix[(i, i)] += precision;
            normal.gradient[i] += precision * p[i];
            normal.cost += 0.5 * precision * p[i] * p[i];
        }
        normal
    }

    /// The step that solves the damped equations, leaving held terms alone.
    pub(super) fn step(&self, normal: &Normal, damping: f64) -> Option<Params> {
        let mut matrix = normal.matrix;
        let mut gradient = normal.gradient;
        for (i, sigma) in [(K1, self.lens_sigma[0]), (K2, self.lens_sigma[1])] {
            if sigma <= 0.0 {
                matrix.fill_row(i, 0.0);
                matrix.fill_column(i, 0.0);
                matrix[(i, i)] = 1.0;
                gradient[i] = 0.0;
            }
        }
        for i in 0..PARAMS {
            matrix[(i, i)] *= 1.0 + damping;
        }
        Some(-matrix.cholesky()?.solve(&gradient))
    }
}

impl Normal {
    fn zero() -> Self {
        Self { matrix: Square::zeros(), gradient: Params::zeros(), cost: 0.0 }
    }

    /// Adds one sighting; only the upper triangle of the matrix is kept up.
    pub(super) fn add(&mut self, r: &Residual, weight: f64) {
        for j in 0..PARAMS {
            let wj = weight * r.by_params[j];
            self.gradient[j] += wj * r.px;
            for i in 0..=j {
                self.matrix[(i, j)] += wj * r.by_params[i];
            }
        }
    }
}

/// Minimises the objective from `start`; returns where it came to rest (or ran out of steps).
pub(super) fn minimise(frame: &Frame, sides: &[Side], objective: &Objective, start: Params, steps: usize) -> Params {
    let mut p = start;
    let mut damping = 1e-4;
    let mut normal = objective.normal(frame, &p, sides);
    for _ in 0..steps {
        let Some(step) = objective.step(&normal, damping) else {
            damping = (damping * 10.0).max(1e-6);
            continue;
        };
        let next = p + step;
        let there = objective.normal(frame, &next, sides);
        if there.cost.is_finite() && there.cost <= normal.cost * (1.0 + 1e-12) {
            let gain = normal.cost - there.cost;
            p = next;
            normal = there;
            damping = (damping * 0.1).max(1e-12);
            // In units of chi-squared: what is left to gain is far below one standard deviation.
            if gain < 1e-4 {
                break;
            }
        } else if damping > 1e6 {
            break;
        } else {
            damping *= 10.0;
        }
    }
    p
}

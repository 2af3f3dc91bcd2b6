//! The distributions that an input can have, each about its own mean.

use std::f64::consts::TAU;

use rand::{Rng, RngExt};
use rand_distr::{ChiSquared, Distribution as _, StandardNormal};

/// Shape of the knowledge about one input, as the departure from its estimate, which is always the mean.
///
/// Lengths inside the variants have the input's own unit.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Distribution {
    /// Known exactly.
    Fixed,
    /// Normal with this standard deviation.
    Normal {
        /// Standard deviation.
        sd: f64,
    },
    /// Student's t times `scale`: the mean of few readings with `scale = s/√n` (JCGM 101 clause 6.4.9).
    /// Its standard uncertainty in a budget is `scale`; its variance is `scale² ν/(ν − 2)`, infinite for ν ≤ 2.
    StudentT {
        /// Scale.
        scale: f64,
        /// Degrees of freedom ν.
        dof: f64,
    },
    /// Rectangular (JCGM 101 clause 6.4.2).
    Rectangular {
        /// Half of its width.
        half_width: f64,
    },
    /// Symmetric triangular (clause 6.4.5).
    Triangular {
        /// Half of its base.
        half_width: f64,
    },
    /// Symmetric trapezoid (clause 6.4.4).
    Trapezoid {
        /// Half of its base.
        half_width: f64,
        /// Length of the top over the length of the base, 0 to 1.
        top: f64,
    },
    /// Rectangular with inexactly known limits, each ± `inexact`: the curvilinear trapezoid (clause 6.4.3).
    CurvilinearTrapezoid {
        /// Half of the width between the nominal limits.
        half_width: f64,
        /// How far each limit may be off.
        inexact: f64,
    },
    /// U-shaped, from a cycle such as a regulated temperature (clause 6.4.6).
    ArcSine {
        /// Half of its width.
        half_width: f64,
    },
    /// `1 − cos θ` with θ uniform in ± `max_rad`: one-sided.
    OneMinusCosUniform {
        /// Largest angle, radians.
        max_rad: f64,
    },
    /// `1 − cos θ` with θ normal about 0: one-sided.
    OneMinusCosNormal {
        /// Standard deviation of the angle, radians.
        sd_rad: f64,
    },
    /// The absolute value of a normal departure, on the positive side: one-sided.
    HalfNormal {
        /// Standard deviation of the normal before folding.
        sd: f64,
    },
}

impl Distribution {
    /// Standard uncertainty as it enters the law of propagation.
    #[must_use]
    pub fn u(&self) -> f64 {
        match *self {
            Self::Fixed => 0.0,
            Self::Normal { sd } => sd,
            Self::StudentT { scale, .. } => scale,
            Self::Rectangular { half_width } => half_width / 3.0_f64.sqrt(),
            Self::Triangular { half_width } => half_width / 6.0_f64.sqrt(),
            Self::Trapezoid { half_width, top } => half_width * ((1.0 + top * top) / 6.0).sqrt(),
            Self::CurvilinearTrapezoid { half_width, inexact } => {
                (half_width * half_width / 3.0 + inexact * inexact / 9.0).sqrt()
            }
            Self::ArcSine { half_width } => half_width / 2.0_f64.sqrt(),
            Self::OneMinusCosUniform { max_rad } => one_minus_cos_uniform(max_rad).1,
            Self::OneMinusCosNormal { sd_rad } => -(-sd_rad * sd_rad).exp_m1() / 2.0_f64.sqrt(),
            Self::HalfNormal { sd } => sd * (1.0 - 2.0 / std::f64::consts::PI).sqrt(),
        }
    }

    /// Variance of what a Monte Carlo trial draws; infinite for Student's t with at most two degrees of freedom.
    #[must_use]
    pub fn drawn_variance(&self) -> f64 {
        match *self {
            Self::StudentT { scale, dof } => scale * scale * t_variance(dof),
            _ => self.u().powi(2),
        }
    }

    /// Mean of the one-sided quantity itself, which the input's estimate is; 0 for the shapes that lie about their estimate.
    #[must_use]
    pub fn own_mean(&self) -> f64 {
        match *self {
            Self::OneMinusCosUniform { max_rad } => one_minus_cos_uniform(max_rad).0,
            Self::OneMinusCosNormal { sd_rad } => -(-0.5 * sd_rad * sd_rad).exp_m1(),
            Self::HalfNormal { sd } => sd * (2.0 / std::f64::consts::PI).sqrt(),
            _ => 0.0,
        }
    }

    /// True for the shapes that are not symmetric about their mean.
    #[must_use]
    pub const fn is_one_sided(&self) -> bool {
        matches!(self, Self::OneMinusCosUniform { .. } | Self::OneMinusCosNormal { .. } | Self::HalfNormal { .. })
    }

    /// Departures from the mean with probabilities that add up to 1, fine enough for the shape of a sum and not only for its moments.
    pub(super) fn nodes(&self) -> Vec<(f64, f64)> {
        match *self {
            Self::Fixed => vec![(0.0, 1.0)],
            Self::Normal { sd } => spread(|v| (NORMAL_REACH * sd * v, bell(v))),
            // Even steps of the area sinus reach the long tails.
            Self::StudentT { scale, dof } => spread(|v| {
                let t = (12.0 * v).sinh();
                (scale * t, (-0.5 * (dof + 1.0) * (t * t / dof).ln_1p()).exp() * (12.0 * v).cosh())
            }),
            Self::Rectangular { half_width } => spread(|v| (half_width * v, 1.0)),
            Self::Triangular { half_width } => spread(|v| (half_width * v, 1.0 - v.abs())),
            Self::Trapezoid { half_width, top } => {
                let slope = (1.0 - top).max(f64::MIN_POSITIVE);
                spread(|v| (half_width * v, ((1.0 - v.abs()) / slope).min(1.0)))
            }
            Self::CurvilinearTrapezoid { half_width, inexact } => {
                let side = 64;
                let middle = |k: usize| 2.0 * (k as f64 + 0.5) / side as f64 - 1.0;
                let share = 1.0 / (side * side) as f64;
                let place = |k: usize| ((half_width - inexact * middle(k / side)) * middle(k % side), share);
                (0..side * side).map(place).collect()
            }
            Self::ArcSine { half_width } => spread(|v| (half_width * (0.25 * TAU * v).sin(), 1.0)),
            Self::OneMinusCosUniform { max_rad } => spread(|v| (one_minus_cos(max_rad * v) - self.own_mean(), 1.0)),
            Self::OneMinusCosNormal { sd_rad } => {
                spread(|v| (one_minus_cos(NORMAL_REACH * sd_rad * v) - self.own_mean(), bell(v)))
            }
            Self::HalfNormal { sd } => spread(|v| (NORMAL_REACH * sd * v.abs() - self.own_mean(), bell(v))),
        }
    }

    /// Lowest and highest departure that matters: all there is, or six standard deviations where there is no end.
    pub(super) fn reach(&self) -> (f64, f64) {
        let even = |half: f64| (-half, half);
        match *self {
            Self::Fixed => (0.0, 0.0),
            Self::Normal { sd } | Self::StudentT { scale: sd, .. } => even(6.0 * sd),
            Self::Rectangular { half_width }
            | Self::Triangular { half_width }
            | Self::Trapezoid { half_width, .. }
            | Self::ArcSine { half_width } => even(half_width),
            Self::CurvilinearTrapezoid { half_width, inexact } => even(half_width + inexact),
            Self::OneMinusCosUniform { max_rad } => (-self.own_mean(), one_minus_cos(max_rad) - self.own_mean()),
            Self::OneMinusCosNormal { sd_rad } => {
                (-self.own_mean(), one_minus_cos((6.0 * sd_rad).min(0.5 * TAU)) - self.own_mean())
            }
            Self::HalfNormal { sd } => (-self.own_mean(), 6.0 * sd - self.own_mean()),
        }
    }

    /// The name for a budget.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Fixed => "fixed",
            Self::Normal { .. } => "normal",
            Self::StudentT { .. } => "Student t",
            Self::Rectangular { .. } => "rectangular",
            Self::Triangular { .. } => "triangular",
            Self::Trapezoid { .. } => "trapezoid",
            Self::CurvilinearTrapezoid { .. } => "curvilinear trapezoid",
            Self::ArcSine { .. } => "arcsine",
            Self::OneMinusCosUniform { .. } | Self::OneMinusCosNormal { .. } => "1 − cos",
            Self::HalfNormal { .. } => "half-normal",
        }
    }

    /// Every parameter with its name and the rule it obeys.
    pub(super) fn faults(&self) -> Option<(&'static str, f64, &'static str)> {
        let not_negative = |what, v: f64| (!v.is_finite() || v < 0.0).then_some((what, v, "finite and not below 0"));
        match *self {
            Self::Fixed => None,
            Self::Normal { sd } | Self::HalfNormal { sd } => not_negative("the standard deviation", sd),
            Self::StudentT { scale, dof } => not_negative("the scale", scale)
                .or_else(|| (dof.is_nan() || dof <= 0.0).then_some(("dof", dof, "above 0"))),
            Self::Rectangular { half_width } | Self::Triangular { half_width } | Self::ArcSine { half_width } => {
                not_negative("the half-width", half_width)
            }
            Self::Trapezoid { half_width, top } => not_negative("the half-width", half_width)
                .or_else(|| (!(0.0..=1.0).contains(&top)).then_some(("top over base", top, "between 0 and 1"))),
            Self::CurvilinearTrapezoid { half_width, inexact } => {
                not_negative("the half-width", half_width).or_else(|| {
                    (!(0.0..=half_width).contains(&inexact)).then_some((
                        "the inexactness of the limits",
                        inexact,
                        "between 0 and the half-width",
                    ))
                })
            }
            Self::OneMinusCosUniform { max_rad: angle } | Self::OneMinusCosNormal { sd_rad: angle } => (!(0.0
                ..=std::f64::consts::FRAC_PI_2)
                .contains(&angle))
            .then_some(("the angle in radians", angle, "between 0 and a right angle")),
        }
    }
}

/// Nodes of a distribution reach this many standard deviations of a normal one: 1e-15 lies beyond.
const NORMAL_REACH: f64 = 8.0;

/// Normal density at [`NORMAL_REACH`] times `v`, not normalised.
fn bell(v: f64) -> f64 {
    (-0.5 * (NORMAL_REACH * v).powi(2)).exp()
}

/// Departure and weight at the middles of 2,048 even pieces of (−1, 1), the weights made to add up to 1.
fn spread(at: impl Fn(f64) -> (f64, f64)) -> Vec<(f64, f64)> {
    const PIECES: u32 = 2048;
    let mut nodes: Vec<(f64, f64)> =
        (0..PIECES).map(|k| at((2.0 * f64::from(k) + 1.0) / f64::from(PIECES) - 1.0)).collect();
    let total: f64 = nodes.iter().map(|n| n.1).sum();
    nodes.iter_mut().for_each(|n| n.1 /= total);
    nodes
}

/// Variance of Student's t over the square of its scale.
pub(super) fn t_variance(dof: f64) -> f64 {
    if dof.is_infinite() {
        1.0
    } else if dof > 2.0 {
        dof / (dof - 2.0)
    } else {
        f64::INFINITY
    }
}

/// Mean and standard deviation of 1 − cos θ, θ uniform in ± `a`: mean `1 − sin a / a`, second moment
/// `1 − 2 sin a / a + ½ + sin 2a / (4a)`; by their series for small angles, where the closed form cancels.
fn one_minus_cos_uniform(a: f64) -> (f64, f64) {
    if a < 0.1 {
        // 1 − cos θ = θ²/2 − θ⁴/24 + θ⁶/720; relative error below 1e-7 at 0.1 rad.
        let a2 = a * a;
        let mean = a2 / 6.0 * (1.0 - a2 / 20.0 * (1.0 - a2 / 42.0));
        let variance = a2 * a2 / 45.0 * (1.0 - a2 / 7.0 * (1.0 - a2 / 15.0));
        return (mean, variance.sqrt());
    }
    let sinc = a.sin() / a;
    let mean = 1.0 - sinc;
    let second = 1.5 - 2.0 * sinc + (2.0 * a).sin() / (4.0 * a);
    (mean, (second - mean * mean).max(0.0).sqrt())
}

/// A distribution made ready for drawing many departures from the mean.
#[derive(Clone, Debug)]
pub(super) enum Draw {
    Shape(Distribution, f64),
    StudentT { scale: f64, dof: f64, chi_squared: ChiSquared<f64> },
}

impl Draw {
    /// `None` for what never departs from its estimate.
    pub(super) fn of(distribution: Distribution) -> Option<Self> {
        if distribution.u() <= 0.0 {
            return None;
        }
        if let Distribution::StudentT { scale, dof } = distribution {
            // A dof too large for the sampler is normal for every purpose.
            return Some(match ChiSquared::new(dof) {
                Ok(chi_squared) if dof < 1e9 => Self::StudentT { scale, dof, chi_squared },
                _ => Self::Shape(Distribution::Normal { sd: scale }, 0.0),
            });
        }
        Some(Self::Shape(distribution, distribution.own_mean()))
    }

    /// One departure from the mean.
    pub(super) fn departure<R: Rng>(&self, rng: &mut R) -> f64 {
        let (shape, mean) = match self {
            Self::Shape(shape, mean) => (*shape, *mean),
            Self::StudentT { scale, dof, chi_squared } => {
                let z: f64 = StandardNormal.sample(rng);
                return scale * z * (dof / chi_squared.sample(rng)).sqrt();
            }
        };
        match shape {
            Distribution::Fixed => 0.0,
            Distribution::Normal { sd } | Distribution::StudentT { scale: sd, .. } => {
                let z: f64 = StandardNormal.sample(rng);
                sd * z
            }
            Distribution::Rectangular { half_width } => half_width * balanced(rng),
            Distribution::Triangular { half_width } => half_width * 0.5 * (balanced(rng) + balanced(rng)),
            Distribution::Trapezoid { half_width, top } => {
                half_width * 0.5 * ((1.0 + top) * balanced(rng) + (1.0 - top) * balanced(rng))
            }
            Distribution::CurvilinearTrapezoid { half_width, inexact } => {
                // Both limits move outwards or inwards together, clause 6.4.3.4.
                (half_width - inexact * balanced(rng)) * balanced(rng)
            }
            Distribution::ArcSine { half_width } => half_width * (TAU * rng.random::<f64>()).sin(),
            Distribution::OneMinusCosUniform { max_rad } => one_minus_cos(max_rad * balanced(rng)) - mean,
            Distribution::OneMinusCosNormal { sd_rad } => {
                let z: f64 = StandardNormal.sample(rng);
                one_minus_cos(sd_rad * z) - mean
            }
            Distribution::HalfNormal { sd } => {
                let z: f64 = StandardNormal.sample(rng);
                sd * z.abs() - mean
            }
        }
    }
}

/// 1 − cos θ without cancellation.
fn one_minus_cos(theta: f64) -> f64 {
    2.0 * (0.5 * theta).sin().powi(2)
}

/// Uniform in [−1, 1).
fn balanced<R: Rng>(rng: &mut R) -> f64 {
    2.0 * rng.random::<f64>() - 1.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_pcg::Pcg64Mcg;

    /// Standard deviations over half-widths: GUM clause 4.3 and JCGM 101 Table 1.
    #[test]
    fn standard_uncertainties_in_closed_form() {
        for (d, u) in [
            (Distribution::Rectangular { half_width: 1.0 }, 0.577_350),
            (Distribution::Triangular { half_width: 1.0 }, 0.408_248),
            (Distribution::ArcSine { half_width: 1.0 }, std::f64::consts::FRAC_1_SQRT_2),
            (Distribution::Trapezoid { half_width: 1.0, top: 0.5 }, 0.456_435),
        ] {
            assert!((d.u() - u).abs() < 1e-6, "{d:?}");
        }
    }

    #[test]
    fn draws_have_the_stated_mean_and_variance() {
        let mut rng = Pcg64Mcg::seed_from_u64(11);
        let n = 400_000;
        for d in [
            Distribution::Normal { sd: 2.0 },
            Distribution::StudentT { scale: 1.5, dof: 12.0 },
            Distribution::Rectangular { half_width: 3.0 },
            Distribution::Triangular { half_width: 3.0 },
            Distribution::Trapezoid { half_width: 3.0, top: 0.4 },
            Distribution::CurvilinearTrapezoid { half_width: 3.0, inexact: 1.5 },
            Distribution::ArcSine { half_width: 3.0 },
            Distribution::OneMinusCosUniform { max_rad: 0.05 },
            Distribution::OneMinusCosUniform { max_rad: 0.8 },
            Distribution::OneMinusCosNormal { sd_rad: 0.3 },
            Distribution::HalfNormal { sd: 0.7 },
        ] {
            let draw = Draw::of(d).unwrap();
            let sample: Vec<f64> = (0..n).map(|_| draw.departure(&mut rng)).collect();
            let s = crate::stats::summary(&sample).unwrap();
            let sd = d.drawn_variance().sqrt();
            assert!(s.mean.abs() < 4.0 * sd / f64::from(n).sqrt(), "{d:?}: mean {} sd {sd}", s.mean);
            assert!((s.std_dev / sd - 1.0).abs() < 0.01, "{d:?}: {} wanted {sd}", s.std_dev);
        }
    }

    #[test]
    fn nodes_have_the_stated_mean_and_variance() {
        for d in [
            Distribution::Normal { sd: 2.0 },
            Distribution::StudentT { scale: 1.5, dof: 12.0 },
            Distribution::StudentT { scale: 1.5, dof: 3.0 },
            Distribution::Rectangular { half_width: 3.0 },
            Distribution::Triangular { half_width: 3.0 },
            Distribution::Trapezoid { half_width: 3.0, top: 0.4 },
            Distribution::Trapezoid { half_width: 3.0, top: 1.0 },
            Distribution::CurvilinearTrapezoid { half_width: 3.0, inexact: 1.5 },
            Distribution::ArcSine { half_width: 3.0 },
            Distribution::OneMinusCosUniform { max_rad: 0.05 },
            Distribution::OneMinusCosUniform { max_rad: 0.8 },
            Distribution::OneMinusCosNormal { sd_rad: 0.3 },
            Distribution::HalfNormal { sd: 0.7 },
        ] {
            let nodes = d.nodes();
            let mean: f64 = nodes.iter().map(|(x, p)| p * x).sum();
            let variance: f64 = nodes.iter().map(|(x, p)| p * (x - mean).powi(2)).sum();
            assert!((nodes.iter().map(|n| n.1).sum::<f64>() - 1.0).abs() < 1e-12, "{d:?}");
            assert!(mean.abs() < 1e-5 * d.u(), "{d:?}: mean {mean}");
            assert!((variance / d.drawn_variance() - 1.0).abs() < 1e-3, "{d:?}: {variance}");
            let (low, high) = d.reach();
            let beyond: f64 = nodes.iter().filter(|(x, _)| *x < low - 1e-9 || *x > high + 1e-9).map(|n| n.1).sum();
            let tail = if matches!(d, Distribution::StudentT { .. }) { 0.01 } else { 1e-8 };
            assert!(beyond < tail, "{d:?}: {beyond} lies beyond its reach");
        }
    }

    #[test]
    fn the_small_angle_series_meets_the_closed_form() {
        let (below, above) = (one_minus_cos_uniform(0.099_999_9), one_minus_cos_uniform(0.100_000_1));
        assert!((above.0 / below.0 - 1.0 - 4e-6).abs() < 1e-7, "{below:?} {above:?}");
        assert!((above.1 / below.1 - 1.0 - 4e-6).abs() < 1e-7, "{below:?} {above:?}");
    }

    #[test]
    fn faults_are_found() {
        assert!(Distribution::Normal { sd: f64::NAN }.faults().is_some());
        assert!(Distribution::StudentT { scale: 1.0, dof: 0.0 }.faults().is_some());
        assert!(Distribution::StudentT { scale: 1.0, dof: f64::INFINITY }.faults().is_none());
        assert!(Distribution::CurvilinearTrapezoid { half_width: 1.0, inexact: 2.0 }.faults().is_some());
        assert!(Distribution::OneMinusCosUniform { max_rad: 3.0 }.faults().is_some());
    }
}

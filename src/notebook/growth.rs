//! Size classes of moults: a mixture of normals with known measuring error, and how they follow each other.

/// One size class.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SizeClass {
    /// Share of the animals.
    pub share: f64,
    /// Mean size.
    pub mean: f64,
    /// Standard deviation between the animals of the class, without the measuring.
    pub between: f64,
    /// Standard uncertainty of the mean from the number of animals and their measuring; what all share is not in it.
    pub u_mean: f64,
}

/// A mixture fitted with some number of classes.
#[derive(Clone, Debug, PartialEq)]
pub struct Mixture {
    /// The classes, smallest first.
    pub classes: Vec<SizeClass>,
    /// Logarithm of the likelihood.
    pub log_likelihood: f64,
    /// Bayesian information criterion, `p ln n − 2 ln L` with `p = 3 k − 1`; less is better.
    pub bic: f64,
    /// True where the fit had not settled within the steps allowed.
    pub unsettled: bool,
}

/// Size classes and their growth.
#[derive(Clone, Debug, PartialEq)]
pub struct Growth {
    /// Fits with 1, 2, … classes.
    pub fits: Vec<Mixture>,
    /// Place of the one with the least BIC.
    pub best: usize,
    /// Mean of each class over the one before, with its standard uncertainty; what all share cancels.
    pub ratios: Vec<(f64, f64)>,
    /// The constant ratio of Dyar's rule through all means, and the largest relative departure of a mean from it; `None` below
    /// three classes.
    pub dyar: Option<(f64, f64)>,
}

/// Steps of the fit.
const MOST_STEPS: usize = 5000;
/// Steps from every start, and how many of them go on.
const FIRST_STEPS: usize = 25;
const WORTH_GOING_ON: usize = 4;
/// Gaps between sizes at which classes may begin.
const GAPS: usize = 8;
/// Gain of log-likelihood per value below which the fit has settled.
const SETTLED: f64 = 1e-10;
/// Classes are never narrower than this share of the whole spread: a class of one animal would have an infinite likelihood.
const NARROWEST: f64 = 0.005;

/// Fits mixtures of 1 to `most` classes to sizes with known standard uncertainties of the measuring and chooses by BIC.
///
/// Expectation and maximisation with the true sizes as what is hidden, from deterministic starts (every
/// choice of the largest gaps, equal counts, nearest means); the likeliest is kept. `None` for fewer than two values or one that is not finite.
///
/// # Accuracy
/// Without measuring error the fit is that of an ordinary mixture; held against another implementation in the tests.
/// # Source
/// A. P. Dempster, N. M. Laird, D. B. Rubin, J. R. Stat. Soc. B 39 (1977) 1–38; G. Schwarz, Ann. Stat. 6 (1978) 461–464;
/// H. G. Dyar, Psyche 5 (1890) 420–422.
#[must_use]
pub fn growth(sizes: &[(f64, f64)], most: usize) -> Option<Growth> {
    let usable = sizes.iter().all(|(x, u)| x.is_finite() && u.is_finite() && *u >= 0.0);
    if sizes.len() < 2 || !usable || most == 0 {
        return None;
    }
    let mut sorted = sizes.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let most = most.min(sorted.len() / 2).max(1);
    let fits: Vec<Mixture> = (1..=most).filter_map(|k| fit(&sorted, k)).collect();
    let best = (0..fits.len()).min_by(|a, b| fits[*a].bic.total_cmp(&fits[*b].bic))?;
    let classes = &fits[best].classes;
    let ratio = |pair: &[SizeClass]| {
        let r = pair[1].mean / pair[0].mean;
        let u = r * (pair[0].u_mean / pair[0].mean).hypot(pair[1].u_mean / pair[1].mean);
        (r, u)
    };
    let ratios = classes.windows(2).map(ratio).collect();
    let dyar = dyar(&classes.iter().map(|c| c.mean).collect::<Vec<_>>());
    Some(Growth { fits, best, ratios, dyar })
}

/// The constant ratio of Dyar's rule, by a straight line through the logarithms of the means, and the largest relative departure.
#[must_use]
pub fn dyar(means: &[f64]) -> Option<(f64, f64)> {
    if means.len() < 3 || means.iter().any(|m| m.is_nan() || *m <= 0.0) {
        return None;
    }
    let n = means.len() as f64;
    let logs: Vec<f64> = means.iter().map(|m| m.ln()).collect();
    let (mx, my) = (0.5 * (n - 1.0), logs.iter().sum::<f64>() / n);
    let sxx: f64 = (0..means.len()).map(|i| (i as f64 - mx).powi(2)).sum();
    let slope = logs.iter().enumerate().map(|(i, y)| (i as f64 - mx) * (y - my)).sum::<f64>() / sxx;
    let departure = |(i, y): (usize, &f64)| (y - my - slope * (i as f64 - mx)).exp() - 1.0;
    let largest = logs.iter().enumerate().map(departure).fold(0.0, |a: f64, d| if d.abs() > a.abs() { d } else { a });
    Some((slope.exp(), largest))
}

/// One class under work: share, mean, variance between animals.
type Class = (f64, f64, f64);

fn fit(sorted: &[(f64, f64)], k: usize) -> Option<Mixture> {
    let n = sorted.len() as f64;
    let mean = sorted.iter().map(|v| v.0).sum::<f64>() / n;
    let variance = sorted.iter().map(|v| (v.0 - mean).powi(2)).sum::<f64>() / n;
    let floor = variance * NARROWEST * NARROWEST;
    // A few steps from every start tell which are worth going on with.
    let mut begun: Vec<(Vec<Class>, f64, bool)> = starts(sorted, k)
        .iter()
        .map(|cuts| climb(sorted, classes_of(sorted, cuts, floor), floor, FIRST_STEPS))
        .collect();
    begun.sort_by(|a, b| b.1.total_cmp(&a.1));
    let fitted = begun.into_iter().take(WORTH_GOING_ON).map(|b| climb(sorted, b.0, floor, MOST_STEPS));
    let (mut classes, log_likelihood, unsettled) = fitted.max_by(|a, b| a.1.total_cmp(&b.1))?;
    classes.sort_by(|a, b| a.1.total_cmp(&b.1));
    let parameters = (3 * k - 1) as f64;
    let classes = classes
        .iter()
        .map(|&(share, mean, var)| {
            // Information about the mean from every animal by its membership.
            let weight = |(x, u): &(f64, f64)| {
                let total: f64 = classes.iter().map(|c| density(*x, *u, *c)).sum();
                let own = density(*x, *u, (share, mean, var));
                if total > 0.0 { own / total / (var + u * u).max(f64::MIN_POSITIVE) } else { 0.0 }
            };
            let information: f64 = sorted.iter().map(weight).sum();
            SizeClass { share, mean, between: var.sqrt(), u_mean: 1.0 / information.max(f64::MIN_POSITIVE).sqrt() }
        })
        .collect();
    Some(Mixture { classes, log_likelihood, bic: parameters * n.ln() - 2.0 * log_likelihood, unsettled })
}

fn density(x: f64, u: f64, (share, mean, var): Class) -> f64 {
    let v = (var + u * u).max(f64::MIN_POSITIVE);
    share * (-0.5 * (x - mean).powi(2) / v).exp() / (std::f64::consts::TAU * v).sqrt()
}

fn log_density(x: f64, u: f64, (share, mean, var): Class) -> f64 {
    let v = (var + u * u).max(f64::MIN_POSITIVE);
    share.max(f64::MIN_POSITIVE).ln() - 0.5 * ((x - mean).powi(2) / v + (std::f64::consts::TAU * v).ln())
}

fn climb(values: &[(f64, f64)], mut classes: Vec<Class>, floor: f64, steps: usize) -> (Vec<Class>, f64, bool) {
    let n = values.len() as f64;
    let mut before = f64::NEG_INFINITY;
    let mut logs = vec![0.0; classes.len()];
    for _step in 0..steps {
        // Sums of membership, of the hidden size, and of its square, for each class.
        let mut sums = vec![(0.0, 0.0, 0.0); classes.len()];
        let mut log_likelihood = 0.0;
        for &(x, u) in values {
            for (l, c) in logs.iter_mut().zip(&classes) {
                *l = log_density(x, u, *c);
            }
            let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let total: f64 = logs.iter().map(|l| (l - top).exp()).sum();
            log_likelihood += top + total.ln();
            for ((l, &(_, mean, var)), s) in logs.iter().zip(&classes).zip(&mut sums) {
                let r = (l - top).exp() / total;
                let e = u * u;
                let (hidden, left) =
                    if e > 0.0 { ((var * x + e * mean) / (var + e), var * e / (var + e)) } else { (x, 0.0) };
                s.0 += r;
                s.1 += r * hidden;
                s.2 += r * ((hidden - mean).powi(2) + left);
            }
        }
        if log_likelihood - before <= SETTLED * n {
            return (classes, log_likelihood, false);
        }
        before = log_likelihood;
        for (c, s) in classes.iter_mut().zip(&sums) {
            if s.0 > 1e-12 * n {
                let mean = s.1 / s.0;
                // About the new mean, from squares about the old one.
                let var = (s.2 / s.0 - (mean - c.1).powi(2)).max(floor);
                *c = (s.0 / n, mean, var);
            }
        }
    }
    (classes, before, true)
}

/// Where classes begin, by place among the sorted values; the first begins at 0.
type Cuts = Vec<usize>;

fn equal_counts(values: &[(f64, f64)], k: usize) -> Cuts {
    (1..k).map(|i| i * values.len() / k).collect()
}

/// Cuts at every choice of the largest gaps, at equal counts, and about nearest means.
fn starts(values: &[(f64, f64)], k: usize) -> Vec<Cuts> {
    let gaps = largest_gaps(values, GAPS.max(k - 1));
    let mut all = vec![equal_counts(values, k), nearest_means(values, k)];
    for choice in 0_u32..1 << gaps.len().min(16) {
        if choice.count_ones() as usize == k - 1 {
            let chosen = gaps.iter().enumerate().filter(|(i, _)| choice >> i & 1 == 1);
            all.push(chosen.map(|(_, cut)| *cut).collect());
        }
    }
    all
}

/// Where the largest gaps lie, in order.
fn largest_gaps(values: &[(f64, f64)], number: usize) -> Cuts {
    // In the logarithm where sizes are positive: gaps between moults grow with size.
    let size = |v: f64| if values[0].0 > 0.0 { v.ln() } else { v };
    let mut gaps: Vec<(f64, usize)> =
        values.windows(2).enumerate().map(|(i, p)| (size(p[1].0) - size(p[0].0), i + 1)).collect();
    gaps.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut cuts: Cuts = gaps.iter().take(number).map(|g| g.1).collect();
    cuts.sort_unstable();
    cuts
}

fn nearest_means(values: &[(f64, f64)], k: usize) -> Cuts {
    let mut cuts = equal_counts(values, k);
    for _round in 0..100 {
        let means = means_of(values, &cuts);
        let middles = means.windows(2).map(|m| f64::midpoint(m[0], m[1]));
        let new: Cuts = middles.map(|m| values.partition_point(|v| v.0 < m)).collect();
        if new == cuts {
            break;
        }
        cuts = new;
    }
    cuts
}

fn pieces<'a>(values: &'a [(f64, f64)], cuts: &[usize]) -> Vec<&'a [(f64, f64)]> {
    let mut from = 0;
    let mut out = Vec::with_capacity(cuts.len() + 1);
    for &to in cuts.iter().chain(std::iter::once(&values.len())) {
        out.push(&values[from.min(to)..to]);
        from = to;
    }
    out
}

fn means_of(values: &[(f64, f64)], cuts: &[usize]) -> Vec<f64> {
    let fallback = values.iter().map(|v| v.0).sum::<f64>() / values.len() as f64;
    let mean = |p: &&[(f64, f64)]| {
        if p.is_empty() { fallback } else { p.iter().map(|v| v.0).sum::<f64>() / p.len() as f64 }
    };
    pieces(values, cuts).iter().map(mean).collect()
}

fn classes_of(values: &[(f64, f64)], cuts: &[usize], floor: f64) -> Vec<Class> {
    let n = values.len() as f64;
    let means = means_of(values, cuts);
    let class = |(p, mean): (&&[(f64, f64)], &f64)| {
        let count = p.len().max(1) as f64;
        let var = p.iter().map(|v| (v.0 - mean).powi(2)).sum::<f64>() / count;
        (count / n, *mean, var.max(floor))
    };
    pieces(values, cuts).iter().zip(&means).map(class).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Normal scores of a class: an exact sample without chance.
    fn class(mean: f64, sd: f64, n: usize) -> impl Iterator<Item = f64> {
        let z = move |i: usize| crate::stats::normal_quantile((i as f64 + 0.5) / n as f64).expect("inside");
        (0..n).map(move |i| mean + sd * z(i))
    }

    #[test]
    fn planted_classes_are_found_with_their_ratio() {
        let sizes: Vec<(f64, f64)> = [(200.0, 8.0, 40), (260.0, 10.0, 30), (338.0, 13.0, 30)]
            .iter()
            .flat_map(|&(m, s, n)| class(m, s, n))
            .map(|x| (x, 0.0))
            .collect();
        let g = growth(&sizes, 6).expect("fits");
        assert_eq!(g.best, 2, "{:?}", g.fits.iter().map(|f| f.bic).collect::<Vec<_>>());
        for (c, want) in g.fits[2].classes.iter().zip([200.0, 260.0, 338.0]) {
            assert!((c.mean - want).abs() < 3.0, "{c:?}");
        }
        assert!(g.ratios.iter().all(|(r, u)| (r - 1.3).abs() < 0.02 && *u > 0.0 && *u < 0.02), "{:?}", g.ratios);
        let (ratio, departure) = g.dyar.expect("three classes");
        assert!((ratio - 1.3).abs() < 0.01 && departure.abs() < 0.01, "{ratio} {departure}");
    }

    #[test]
    fn the_fit_agrees_with_another_implementation() {
        // scikit-learn 1.9.1, GaussianMixture(tol=1e-12, reg_covar=1e-9), the best of 60 starts, on the same numbers:
        // log-likelihood and BIC for 1 to 4 classes, and means, sd and shares of four.
        let want = [
            (-634.734_856_407_998, 1_278.906_710_558_586_2),
            (-610.819_194_938_893_6, 1_245.230_884_234_262_7),
            (-592.721_385_802_226_7, 1_223.190_762_574_814),
            (-577.743_546_238_334, 1_207.390_580_060_914),
        ];
        let four = [
            (210.001_147, 8.867_121, 0.321_257),
            (262.001_219, 9.971_746, 0.267_773),
            (317.897_105, 12.894_580, 0.232_391),
            (404.996_854, 14.542_690, 0.178_578),
        ];
        let text = include_str!("../../tests/data/reference/size_classes.csv");
        let sizes: Vec<(f64, f64)> = text.lines().filter_map(|l| l.parse().ok()).map(|x| (x, 0.0)).collect();
        assert_eq!(sizes.len(), 112);
        let g = growth(&sizes, 5).expect("fits");
        for (fit, (log_likelihood, bic)) in g.fits.iter().zip(want) {
            let k = fit.classes.len();
            // Not worse than the other one's best, and no better than a better maximum could be.
            assert!((fit.log_likelihood - log_likelihood).abs() < 1e-4, "{k}: {}", fit.log_likelihood);
            assert!((fit.bic - bic).abs() < 2e-4, "{k}: {}", fit.bic);
        }
        assert_eq!(g.best, 3);
        for (c, (mean, sd, share)) in g.fits[3].classes.iter().zip(four) {
            assert!((c.mean - mean).abs() < 1e-3 && (c.between - sd).abs() < 1e-3, "{c:?}");
            assert!((c.share - share).abs() < 1e-5, "{c:?}");
        }
    }

    #[test]
    fn measuring_error_is_taken_off_the_spread() {
        // Spread of 10 with a measuring error of 8: √(100 − 64) = 6 between animals.
        let sizes: Vec<(f64, f64)> = class(300.0, 10.0, 400).map(|x| (x, 8.0)).collect();
        let g = growth(&sizes, 1).expect("fits");
        assert!((g.fits[0].classes[0].between - 6.0).abs() < 0.15, "{:?}", g.fits[0]);
        assert!((g.fits[0].classes[0].u_mean - 0.5).abs() < 0.01);
    }

    #[test]
    fn what_cannot_be_fitted_is_refused() {
        assert!(growth(&[], 3).is_none() && growth(&[(1.0, 0.0)], 3).is_none());
        assert!(growth(&[(1.0, 0.0), (f64::NAN, 0.0)], 3).is_none());
        assert!(growth(&[(1.0, 0.0), (2.0, -1.0)], 3).is_none());
        let same = growth(&[(5.0, 0.0), (5.0, 0.0), (5.0, 0.0), (5.0, 0.0)], 3).expect("all alike");
        assert!(same.fits.iter().all(|f| f.classes.iter().all(|c| (c.mean - 5.0).abs() < 1e-9)));
        assert_eq!(dyar(&[1.0, 2.0]), None);
    }

    #[test]
    fn dyars_rule_on_known_numbers() {
        // Three equal steps of 1.5 and one mean 10 % too large.
        let (ratio, departure) = dyar(&[1.0, 1.5, 2.25, 3.375]).expect("four");
        assert!((ratio - 1.5).abs() < 1e-12 && departure.abs() < 1e-12);
        // Codling moth head capsules, mm (Great Lakes Entomologist 20(3), abstract): exp of the slope of ln width is 1.48475.
        let (ratio, _) = dyar(&[0.33, 0.50, 0.82, 1.18, 1.55]).expect("five");
        assert!((ratio - 1.484_75).abs() < 5e-6, "{ratio}");
        let (_, departure) = dyar(&[1.0, 1.65, 2.25]).expect("three");
        assert!(departure > 0.05, "{departure}");
    }
}

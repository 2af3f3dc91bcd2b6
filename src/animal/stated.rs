//! What it means for a length that it is stated at all.
//!
//! Only what looks a blur spot and three pixels long has a value ([`super::Verdict`]). Of lengths about that long those are stated that
//! look too long, and their usual interval held 90 % instead of 95. What is stated here holds its word given that it was stated.

use crate::stats::{StatsError, normal_quantile, selected_limit, selection_excess};
use crate::uncertainty::Output;

/// From this many standard uncertainties above the limit of stating nothing changes in any digit that is shown: the excess is 1.5e-8 u.
const FAR_U: f64 = 6.0;
/// An excess below this share of u is not spoken of.
const WORTH_WORDS_U: f64 = 0.02;

/// Makes value and interval of an output those of a length that is stated since it looks at least as long as it must; returns by how much
/// the value was lessened, where that is worth saying.
///
/// `above` is how far the drawn length lies above what it must look like. The lower end is the length of which a reading so far above that
/// limit, given that it is above it, is as improbable as the coverage says: by the truncated normal distribution whose usual limit is the
/// one that was found, so that one-sided intervals stay so and few degrees of freedom count as before. The upper end stays, which
/// holds at least as often given that the length was stated (what is short is not); its exact counterpart falls below the reading itself
/// where that lies within 0.03 u of the limit. The value loses what stated lengths are too long on average, u φ(a)/Φ(a) with a in
/// standard uncertainties. u and budget stay: the errors of values so corrected scatter by 0.9 to 1.0 u, wherever the truth lies from the
/// limit to two u above.
///
/// # Errors
/// [`StatsError`] where the output is not finite or its coverage no probability.
/// # Source
/// [`selected_limit`], [`selection_excess`].
pub(super) fn given_that_it_is_stated(output: &mut Output, above: f64) -> Result<Option<f64>, StatsError> {
    let (reading, u) = (output.value, output.u);
    if !(u > 0.0 && above >= 0.0 && above < FAR_U * u) {
        return Ok(None);
    }
    let outside = 0.5 * (1.0 - output.coverage);
    let usual = normal_quantile(1.0 - outside)?;
    // Standard deviation of the normal distribution whose limit is the one found.
    let below = (reading - output.low) / usual;
    if below > 0.0 {
        let least = -(reading / below).max(0.0);
        output.low = reading + below * selected_limit(above / below, outside, least)?;
    }
    let excess = selection_excess(above / u);
    output.value = (reading - u * excess).max(output.low);
    output.k = 0.5 * (output.high - output.low) / u;
    Ok((excess > WORTH_WORDS_U).then_some(reading - output.value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::{Input, Inputs, Options, evaluate};
    use proptest::prelude::*;

    fn output(value: f64, u: f64) -> Output {
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("x", "x", value, u).unwrap());
        let run = |x: &[f64], y: &mut [f64]| y[0] = x[0];
        evaluate(&inputs, &["x"], run, &Options::first_order()).unwrap().outputs.remove(0)
    }

    #[test]
    fn at_2_24_u_above_the_limit_the_lower_end_is_the_limit_itself() {
        // A truth at the limit is stated every other time, and Q(2.2414) = 0.0125.
        let mut x = output(10.0, 1.0);
        let by = given_that_it_is_stated(&mut x, 2.241_402_727_6).unwrap();
        assert!((x.low - (10.0 - 2.241_402_727_6)).abs() < 1e-6 && (x.high - 11.959_963_985).abs() < 1e-6, "{x:?}");
        // φ(2.2414)/Φ(2.2414) = 0.032 36/0.9875.
        assert!(
            by.is_some_and(|by| (by - 0.032_77).abs() < 1e-4) && (x.value + by.unwrap() - 10.0).abs() < 1e-12,
            "{by:?}"
        );
        assert_eq!((x.u, x.budget.len()), (1.0, 1));
    }

    #[test]
    fn far_above_the_limit_nothing_changes() {
        let usual = output(10.0, 1.0);
        let mut x = usual.clone();
        assert_eq!(given_that_it_is_stated(&mut x, 6.0).unwrap(), None);
        assert_eq!(x, usual);
        // What has no uncertainty has nothing to choose from.
        let mut exact = output(10.0, 0.0);
        assert_eq!(given_that_it_is_stated(&mut exact, 0.5).unwrap(), None);
    }

    proptest! {
        #[test]
        fn ends_keep_their_order(above in 0.0..8.0_f64, value in 1.0..30.0_f64, more in 0.0..1.0_f64) {
            let usual = output(value, 1.0);
            let of = |above: f64| {
                let mut x = usual.clone();
                given_that_it_is_stated(&mut x, above).unwrap();
                x
            };
            let (x, higher) = (of(above), of(above + more));
            prop_assert!(x.low <= x.value && x.value <= x.high && x.high == usual.high && x.value <= usual.value);
            prop_assert!(x.low <= usual.low.max(0.0) + 1e-9 && x.low >= usual.low.min(0.0));
            // What is not below 0 is seen to where the output becomes a figure.
            prop_assert!(higher.value >= x.value - 1e-9 && higher.low.max(0.0) >= x.low - 1e-9, "{x:?} {higher:?}");
        }
    }
}

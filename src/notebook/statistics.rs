//! Statistics over animals: how large, how variable, and how much of that is the measuring.

use std::collections::BTreeMap;

use super::document::Notebook;
use super::id::{AnimalId, SetupId};
use super::measurement::FigureNote;
use crate::animal::{Unit, source as animal_source};
use crate::setup::source as setup_source;
use crate::stats::{median, outliers, student_t_quantile, summary};

/// One animal's value of a quantity: the mean of its repeats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampled {
    /// Whose.
    pub animal: AnimalId,
    /// Mean of its measurements, in the quantity's unit.
    pub value: f64,
    /// Number of its measurements.
    pub measurements: usize,
    /// Standard uncertainty from what differs from animal to animal: marks, lying, edges.
    pub u_own: f64,
    /// Standard uncertainty from what animals share: the scale, the observer, the tone curve.
    pub u_common: f64,
}

/// An animal's value with what it shares with whom.
#[derive(Clone, Debug)]
struct Shared {
    sampled: Sampled,
    /// Standard uncertainty from what all animals share, whatever the setup.
    by_all: f64,
    /// From what those through the same setup share, by setup: the weight of each in the animal's mean times its uncertainty.
    by_setup: BTreeMap<SetupId, f64>,
}

/// What is known of one quantity in one group.
#[derive(Clone, Debug, PartialEq)]
pub struct QuantitySummary {
    /// The quantity's name, with its side where it has one.
    pub quantity: String,
    /// The part, as `segment 2`; empty for the whole.
    pub part: String,
    /// The group of the animals; empty for those without.
    pub group: String,
    /// The unit of all figures.
    pub unit: Unit,
    /// The animals, smallest value first.
    pub samples: Vec<Sampled>,
    /// Arithmetic mean over animals.
    pub mean: f64,
    /// Standard deviation between animals as observed; `None` for one animal.
    pub std_dev: Option<f64>,
    /// Standard deviation of the mean; `None` for one animal.
    pub std_error: Option<f64>,
    /// Median.
    pub median: f64,
    /// Smallest and largest.
    pub range: (f64, f64),
    /// 95 % interval of the mean, with what all share in it; `None` where neither animals nor budget tell it.
    pub interval_95: Option<(f64, f64)>,
    /// Root mean square of the measuring's own standard uncertainties.
    pub measuring: f64,
    /// Standard uncertainty of the mean from what all share, which more animals do not lessen.
    pub common: f64,
    /// Standard deviation between animals without the measuring, `√(s² − measuring²)`; 0 where the measuring explains all of it.
    pub between: Option<f64>,
    /// Animals farther than 3.5 robust standard deviations from the median: shown, and counted all the same.
    pub outliers: Vec<AnimalId>,
    /// Animals in which it was measured but never resolved; they are in no figure above.
    pub not_resolved: usize,
}

/// Sources that all measurements share: the same slide, room, camera and person. Where setups had slides of their own, or several
/// people measured, less is shared than is assumed here, and the interval is wider than it need be.
const BY_ALL: [&str; 5] = [
    setup_source::CERTIFICATE,
    setup_source::TEMPERATURE,
    setup_source::ACROSS,
    animal_source::OBSERVER,
    animal_source::TONE,
];

/// Sources that the measurements through one setup share: how the slide lay and was read that day, and how well the rig comes back.
const BY_SETUP: [&str; 3] = [setup_source::FIT, setup_source::TILT, setup_source::REPRODUCIBILITY];

/// Group, quantity by its first appearance and name, part by its place and name, unit.
type Key = (String, usize, String, (usize, String), Unit2);

/// Units in an order.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Unit2(u8);

impl Unit2 {
    const fn of(unit: Unit) -> Self {
        Self(match unit {
            Unit::Um => 0,
            Unit::Um2 => 1,
            Unit::Deg => 2,
            Unit::One => 3,
        })
    }

    const fn unit(self) -> Unit {
        match self.0 {
            0 => Unit::Um,
            1 => Unit::Um2,
            2 => Unit::Deg,
            _ => Unit::One,
        }
    }
}

/// One value with the parts of its variance.
#[derive(Clone, Copy)]
struct Value {
    value: f64,
    own: f64,
    by_all: f64,
    by_setup: f64,
    setup: SetupId,
}

impl Notebook {
    /// Summaries of every quantity and its parts in every group, in the notebook's order.
    ///
    /// Repeats on one animal are averaged first, so that n counts animals. What the measurements through one setup share (its readings,
    /// how well it comes back) lessens with the number of setups; what all share (slide, temperature, pixels, observer, tone) does not.
    #[must_use]
    pub fn statistics(&self) -> Vec<QuantitySummary> {
        let setups = self.setups_by_name();
        let groups: BTreeMap<AnimalId, &str> = self.animals.iter().map(|a| (a.id, a.group.as_str())).collect();
        let mut order: BTreeMap<String, usize> = BTreeMap::new();
        let mut all: BTreeMap<Key, BTreeMap<AnimalId, Vec<Option<Value>>>> = BTreeMap::new();
        for m in &self.measurements {
            let Some(reported) = &m.reported else { continue };
            let group = groups.get(&m.animal).copied().unwrap_or_default();
            let name = m.full_name();
            let next = order.len();
            let place = *order.entry(name.clone()).or_insert(next);
            let figures = std::iter::once(&reported.figure).chain(&reported.figure.parts);
            for (i, figure) in figures.enumerate() {
                let part = (i, figure.name.clone());
                let key = (group.to_owned(), place, name.clone(), part, Unit2::of(figure.unit));
                all.entry(key)
                    .or_default()
                    .entry(m.animal)
                    .or_default()
                    .push(value_of(setups.get(&m.setup).copied().unwrap_or(m.setup), figure));
            }
        }
        all.into_iter().filter_map(|(key, animals)| summarised(key, &animals)).collect()
    }

    /// For each setup the first of its name: one that was kept again with another reading shares the earlier ones, and is not independent.
    fn setups_by_name(&self) -> BTreeMap<SetupId, SetupId> {
        let mut first: BTreeMap<&str, SetupId> = BTreeMap::new();
        self.setups.iter().map(|k| (k.id, *first.entry(k.setup.name.as_str()).or_insert(k.id))).collect()
    }
}

fn value_of(setup: SetupId, figure: &FigureNote) -> Option<Value> {
    let (value, u) = (figure.value?, figure.u?);
    let share = |of: &[&str]| {
        let lines = figure.budget.iter().filter(|l| of.contains(&l.source.as_str()));
        lines.map(|l| l.share).sum::<f64>().clamp(0.0, 1.0) * u * u
    };
    let (by_all, by_setup) = (share(&BY_ALL), share(&BY_SETUP));
    Some(Value { value, own: (u * u - by_all - by_setup).max(0.0), by_all, by_setup, setup })
}

/// No mean of lengths, areas or ratios is below 0: what the few animals' wide law says beyond that is known to be empty.
fn within_reach(unit: Unit, (low, high): (f64, f64)) -> (f64, f64) {
    if unit == Unit::Deg { (low, high) } else { (low.max(0.0), high) }
}

fn summarised(
    (group, _place, quantity, (_part_place, part), unit): Key,
    animals: &BTreeMap<AnimalId, Vec<Option<Value>>>,
) -> Option<QuantitySummary> {
    let shared: Vec<Shared> = animals.iter().filter_map(|(id, values)| sampled(*id, values)).collect();
    let mut samples: Vec<Sampled> = shared.iter().map(|s| s.sampled).collect();
    samples.sort_by(|a, b| a.value.total_cmp(&b.value));
    let values: Vec<f64> = samples.iter().map(|s| s.value).collect();
    let s = summary(&values).ok()?;
    let n = s.n as f64;
    let several = s.n > 1;
    let mean_of = |f: fn(&Sampled) -> f64| samples.iter().map(f).sum::<f64>() / n;
    let measuring = mean_of(|s| s.u_own * s.u_own).max(0.0).sqrt();
    let common = common_of_mean(&shared);
    let std_error = several.then(|| s.std_error());
    let spread = std_error.unwrap_or(measuring);
    let u_mean = spread.hypot(common);
    let dof = if several { (n - 1.0) * (u_mean / spread.max(f64::MIN_POSITIVE)).powi(4) } else { f64::INFINITY };
    let k = student_t_quantile(0.975, dof.max(1.0)).ok();
    let interval_95 =
        k.filter(|_| u_mean > 0.0).map(|k| within_reach(unit.unit(), (s.mean - k * u_mean, s.mean + k * u_mean)));
    let far = outliers(&values).unwrap_or_default();
    Some(QuantitySummary {
        quantity,
        part,
        group,
        unit: unit.unit(),
        mean: s.mean,
        std_dev: several.then_some(s.std_dev),
        std_error,
        median: median(&values).ok()?,
        range: (*values.first()?, *values.last()?),
        interval_95,
        measuring,
        common,
        between: several.then(|| (s.std_dev.powi(2) - measuring.powi(2)).max(0.0).sqrt()),
        outliers: far.into_iter().filter_map(|i| samples.get(i)).map(|s| s.animal).collect(),
        not_resolved: animals.len() - samples.len(),
        samples,
    })
}

/// What is shared is fully correlated among those who share it: its mean is its uncertainty in the mean of all. Setups are independent.
fn common_of_mean(shared: &[Shared]) -> f64 {
    let n = shared.len() as f64;
    let mut setups: BTreeMap<SetupId, f64> = BTreeMap::new();
    for (setup, part) in shared.iter().flat_map(|s| &s.by_setup) {
        *setups.entry(*setup).or_default() += part / n;
    }
    let by_all = shared.iter().map(|s| s.by_all).sum::<f64>() / n;
    (by_all * by_all + setups.values().map(|u| u * u).sum::<f64>()).sqrt()
}

fn sampled(animal: AnimalId, values: &[Option<Value>]) -> Option<Shared> {
    let known: Vec<Value> = values.iter().copied().flatten().collect();
    if known.is_empty() {
        return None;
    }
    let n = known.len() as f64;
    let sum = |f: fn(&Value) -> f64| known.iter().map(f).sum::<f64>();
    let by_all = sum(|v| v.by_all.sqrt()) / n;
    let mut by_setup: BTreeMap<SetupId, f64> = BTreeMap::new();
    for v in &known {
        *by_setup.entry(v.setup).or_default() += v.by_setup.sqrt() / n;
    }
    let of_setups: f64 = by_setup.values().map(|u| u * u).sum();
    let sampled = Sampled {
        animal,
        value: sum(|v| v.value) / n,
        measurements: known.len(),
        u_own: sum(|v| v.own).sqrt() / n,
        u_common: (by_all * by_all + of_setups).sqrt(),
    };
    Some(Shared { sampled, by_all, by_setup })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notebook::testing::{NOW, kept, measurement, picture};
    use crate::notebook::{Action, Animal, MeasurementId, Notebook, NotebookId, Unknown};

    /// A notebook with an animal a value, of the given own and common standard uncertainty.
    pub(crate) fn of_values(values: &[f64], own: f64, common: f64) -> Notebook {
        let mut n = Notebook::new(NotebookId::of_seed(b"s"), "", "", NOW);
        n.apply(Action::AddSetup { setup: Box::new(kept(1)), at: None }).unwrap();
        n.apply(Action::AddPicture { picture: picture(2), at: None }).unwrap();
        for (i, v) in values.iter().enumerate() {
            let id = 3 + 2 * i as u64;
            let animal = Animal::named(AnimalId::new(id), &format!("animal {i}"));
            n.apply(Action::AddAnimal { animal: Box::new(animal), at: None }).unwrap();
            let mut m = measurement(id + 1, id, 2, 1);
            let figure = &mut m.reported.as_mut().unwrap().figure;
            figure.value = Some(*v);
            let u = own.hypot(common);
            figure.u = Some(u);
            let line = |source: &str, u_line: f64| crate::notebook::BudgetNote {
                source: source.into(),
                evaluation: "B".into(),
                u: u_line,
                share: if u > 0.0 { (u_line / u).powi(2) } else { 0.0 },
                other: Unknown::new(),
            };
            figure.budget = vec![line("blur spot", own), line(setup_source::CERTIFICATE, common)];
            n.apply(Action::AddMeasurement { measurement: Box::new(m), at: None }).unwrap();
        }
        n
    }

    #[test]
    fn variance_between_animals_and_of_the_measuring_are_told_apart() {
        // Spread 10, own 6: between √(100 − 36) = 8.
        let values: Vec<f64> = [-1.0, 0.0, 1.0].iter().map(|z| 300.0 + 10.0 * z).collect();
        let all = of_values(&values, 6.0, 3.0).statistics();
        let s = &all[0];
        assert_eq!((all.len(), s.samples.len(), s.quantity.as_str()), (1, 3, "body length"));
        assert!((s.mean - 300.0).abs() < 1e-9 && (s.std_dev.unwrap() - 10.0).abs() < 1e-9);
        assert!((s.between.unwrap() - 8.0).abs() < 1e-9 && (s.measuring - 6.0).abs() < 1e-9);
        assert!((s.common - 3.0).abs() < 1e-9);
        // u of the mean: √(100/3 + 9) = 6.506; ν = 2 (6.506/5.774)⁴ = 3.225.
        let (low, high) = s.interval_95.unwrap();
        let k = student_t_quantile(0.975, 3.2258).unwrap();
        assert!(((high - low) / 2.0 - k * (100.0_f64 / 3.0 + 9.0).sqrt()).abs() < 1e-3, "{low} {high}");
        // More animals than the measuring explains nothing of: never a negative variance.
        let tight = of_values(&[300.0, 301.0, 299.5], 6.0, 0.0).statistics();
        assert_eq!(tight[0].between, Some(0.0));
    }

    #[test]
    fn what_all_share_does_not_shrink_with_n() {
        let values: Vec<f64> = (0..400).map(|i| 300.0 + f64::from(i % 20) - 9.5).collect();
        let s = &of_values(&values, 1.0, 2.0).statistics()[0];
        let (low, high) = s.interval_95.unwrap();
        assert!((high - low) / 2.0 > 1.96 * 2.0, "{low} {high}");
    }

    #[test]
    fn readings_of_several_setups_average_and_the_slide_does_not() {
        // Four animals, two through each of two setups; the shared part is the setup's own, 2 µm.
        let mut n = of_values(&[300.0, 301.0, 299.0, 300.0], 1.0, 2.0);
        let mut other = kept(900);
        other.setup.name = "another rig".into();
        n.apply(Action::AddSetup { setup: Box::new(other), at: None }).unwrap();
        let relabel = |n: &mut Notebook, source: &str| {
            for (i, id) in [4, 6, 8, 10].into_iter().enumerate() {
                let mut m = n.measurement(MeasurementId::new(id)).unwrap().clone();
                m.reported.as_mut().unwrap().figure.budget[1].source = source.into();
                m.setup = SetupId::new(if i % 2 == 0 { 1 } else { 900 });
                n.apply(Action::ChangeMeasurement { measurement: Box::new(m) }).unwrap();
            }
        };
        relabel(&mut n, setup_source::REPRODUCIBILITY);
        assert!((n.statistics()[0].common - 2.0 / 2.0_f64.sqrt()).abs() < 1e-9);
        relabel(&mut n, setup_source::CERTIFICATE);
        assert!((n.statistics()[0].common - 2.0).abs() < 1e-9);
    }

    #[test]
    fn one_animal_outliers_and_the_unresolved() {
        let one = &of_values(&[300.0], 1.0, 1.0).statistics()[0];
        assert_eq!((one.std_dev, one.between), (None, None));
        let (low, high) = one.interval_95.unwrap();
        assert!(((high - low) / 2.0 - 1.959_964 * 2.0_f64.sqrt()).abs() < 1e-4);
        let mut n = of_values(&[300.0, 301.0, 299.0, 300.5, 900.0], 1.0, 0.0);
        let s = &n.statistics()[0];
        assert_eq!(s.outliers, [s.samples[4].animal]);
        assert_eq!(s.samples.len(), 5, "shown and counted");
        let mut m = n.measurement(MeasurementId::new(4)).unwrap().clone();
        m.reported.as_mut().unwrap().figure.value = None;
        n.apply(Action::ChangeMeasurement { measurement: Box::new(m) }).unwrap();
        let s = &n.statistics()[0];
        assert_eq!((s.samples.len(), s.not_resolved), (4, 1));
    }
}

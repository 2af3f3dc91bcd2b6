//! Statistics over animals: how large, how variable, and how much of that is the measuring.

use std::collections::{BTreeMap, HashMap};

use rayon::prelude::*;

use super::document::Notebook;
use super::id::{AnimalId, SetupId};
use super::measurement::FigureNote;
use crate::animal::{Unit, source as animal_source};
use crate::setup::source as setup_source;
use crate::stats::{outliers, quantile_of_sorted, student_t_quantile, summary};
use crate::uncertainty::EvaluationType;

/// One animal's value of a quantity: the mean of its repeats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampled {
    /// Whose.
    pub animal: AnimalId,
    /// Mean of its measurements, in the quantity's unit.
    pub value: f64,
    /// Number of its measurements.
    pub measurements: usize,
    /// Standard uncertainty from what differs from animal to animal: marks, lying, edges. Repeats lessen the hand's part alone.
    pub u_own: f64,
}

/// An animal's value with what it shares with whom.
#[derive(Clone, Debug)]
struct Shared {
    sampled: Sampled,
    /// Standard uncertainty from what all animals share, whatever the setup.
    by_all: f64,
    /// From what those through the same setup share, by setup.
    by_setup: Vec<(SetupId, OfSetup)>,
}

/// What one setup contributes to a mean: the weight of its figures times their uncertainty.
#[derive(Clone, Copy, Debug, Default)]
struct OfSetup {
    u: f64,
    /// Fourth root of the sum of `u⁴/ν` of what is known from few readings: weights act on it as on `u`.
    few: f64,
}

impl OfSetup {
    fn add(&mut self, weight: f64, other: Self) {
        self.u += weight * other.u;
        self.few += weight * other.few;
    }
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
    /// Standard uncertainty of the mean from what animals share (slide, observer, setups), which more animals do not lessen.
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

/// Sources that the measurements through one setup share: how the slide lay and was read that day, where in the depth of field it was
/// (the animal's own place in it is a part of the same figure, so that more is shared here than must be), and how well the rig comes
/// back.
const BY_SETUP: [&str; 4] = [setup_source::FIT, setup_source::TILT, setup_source::FOCUS, setup_source::REPRODUCIBILITY];

/// True for a source that measurements of several animals share.
pub(super) fn is_shared(source: &str) -> bool {
    BY_ALL.contains(&source) || BY_SETUP.contains(&source)
}

/// What a hand does anew each time that it marks the same animal.
const EACH_TIME: &str = animal_source::HAND;

/// All values of one part of a quantity in a group, or of the whole.
struct Gathered<'a> {
    /// Its place, its name and its unit.
    part: (usize, &'a str, Unit),
    values: Vec<(AnimalId, Option<Value>)>,
}

/// One value with the parts of its variance.
#[derive(Clone, Copy)]
struct Value {
    value: f64,
    /// Variances.
    hand: f64,
    rest: f64,
    by_all: f64,
    of_setup: OfSetup,
    setup: SetupId,
    /// The figure's own 95 % interval.
    interval: Option<(f64, f64)>,
}

impl Notebook {
    /// Summaries of every quantity and its parts in every group, in the notebook's order.
    ///
    /// Repeats on one animal are averaged first, so that n counts animals; they lessen what the hand adds, and nothing else. What the measurements through one setup share (its readings,
    /// how well it comes back) lessens with the number of setups; what all share (slide, temperature, pixels, observer, tone) does not.
    #[must_use]
    pub fn statistics(&self) -> Vec<QuantitySummary> {
        let setups = self.setups_by_name();
        let groups: HashMap<AnimalId, &str> = self.animals.iter().map(|a| (a.id, a.group.as_str())).collect();
        let mut names: Vec<String> = Vec::new();
        let mut places: HashMap<(&str, &str), usize> = HashMap::new();
        // Gathered by names that are borrowed, since a large notebook has tens of thousands of figures; put in order below.
        let mut all: HashMap<(&str, usize), Vec<Gathered<'_>>> = HashMap::new();
        for m in &self.measurements {
            let Some(reported) = &m.reported else { continue };
            let group = groups.get(&m.animal).copied().unwrap_or_default();
            let place = *places.entry((m.quantity.as_str(), m.part.as_str())).or_insert_with(|| {
                let name = m.full_name();
                names.iter().position(|n| *n == name).unwrap_or_else(|| {
                    names.push(name);
                    names.len() - 1
                })
            });
            let setup = setups.get(&m.setup).copied().unwrap_or(m.setup);
            let figures = std::iter::once(&reported.figure).chain(&reported.figure.parts);
            let gathered = all.entry((group, place)).or_default();
            for (i, figure) in figures.enumerate() {
                let part = (i, figure.name.as_str(), figure.unit);
                let value = (m.animal, value_of(setup, figure));
                // Nearly always the parts of a quantity are the same, in the same order.
                let at = if gathered.get(i).is_some_and(|g| g.part == part) {
                    Some(i)
                } else {
                    gathered.iter().position(|g| g.part == part)
                };
                match at.and_then(|at| gathered.get_mut(at)) {
                    Some(there) => there.values.push(value),
                    None => gathered.push(Gathered { part, values: vec![value] }),
                }
            }
        }
        let mut ordered: Vec<((&str, usize), Gathered<'_>)> =
            all.into_iter().flat_map(|(key, of)| of.into_iter().map(move |g| (key, g))).collect();
        ordered.sort_unstable_by_key(|(key, g)| (*key, g.part));
        let one = |((group, place), gathered): ((&str, usize), Gathered<'_>)| {
            summarised(group, names.get(place).cloned().unwrap_or_default(), gathered)
        };
        ordered.into_par_iter().filter_map(one).collect()
    }

    /// For each setup the first of its name: one that was kept again with another reading shares the earlier ones, and is not independent.
    fn setups_by_name(&self) -> BTreeMap<SetupId, SetupId> {
        let mut first: BTreeMap<&str, SetupId> = BTreeMap::new();
        self.setups.iter().map(|k| (k.id, *first.entry(k.setup.name.as_str()).or_insert(k.id))).collect()
    }
}

fn value_of(setup: SetupId, figure: &FigureNote) -> Option<Value> {
    let (value, u) = (figure.value?, figure.u?);
    let (mut by_all, mut by_setup, mut hand, mut of_few) = (0.0, 0.0, 0.0, false);
    for line in &figure.budget {
        let source = line.source.as_str();
        if BY_ALL.contains(&source) {
            by_all += line.share;
        } else if BY_SETUP.contains(&source) {
            by_setup += line.share;
            // Of everything in a budget, few readings tell the setup's own spread.
            of_few |= source == setup_source::REPRODUCIBILITY && line.evaluation == EvaluationType::A.letter();
        } else if source == EACH_TIME {
            hand += line.share;
        }
    }
    let variance = |share: f64| share.clamp(0.0, 1.0) * u * u;
    let (by_all, by_setup, hand) = (variance(by_all), variance(by_setup), variance(hand));
    // The figure's degrees of freedom are theirs: ν = u⁴ / Σ u_i⁴/ν_i (GUM G.2b) solved for u_i⁴/ν_i.
    let few = match figure.dof {
        Some(dof) if of_few && dof.is_finite() && dof > 0.0 => u / dof.powf(0.25),
        _ => 0.0,
    };
    Some(Value {
        value,
        hand,
        rest: (u * u - by_all - by_setup - hand).max(0.0),
        by_all,
        of_setup: OfSetup { u: by_setup.sqrt(), few },
        setup,
        interval: figure.low.zip(figure.high),
    })
}

/// No mean of lengths, areas or ratios is below 0: what the few animals' wide law says beyond that is known to be empty.
fn within_reach(unit: Unit, (low, high): (f64, f64)) -> (f64, f64) {
    if unit == Unit::Deg { (low, high) } else { (low.max(0.0), high) }
}

fn summarised(group: &str, quantity: String, gathered: Gathered<'_>) -> Option<QuantitySummary> {
    let Gathered { part: (_, part, unit), mut values } = gathered;
    // Stable: an animal's repeats stay in their order.
    values.sort_by_key(|(animal, _)| *animal);
    let animals: Vec<&[(AnimalId, Option<Value>)]> = values.chunk_by(|a, b| a.0 == b.0).collect();
    let shared: Vec<Shared> = animals.iter().filter_map(|of| sampled(of)).collect();
    let mut samples: Vec<Sampled> = shared.iter().map(|s| s.sampled).collect();
    samples.sort_by(|a, b| a.value.total_cmp(&b.value));
    let means: Vec<f64> = samples.iter().map(|s| s.value).collect();
    let s = summary(&means).ok()?;
    let n = s.n as f64;
    let several = s.n > 1;
    let mean_of = |f: fn(&Sampled) -> f64| samples.iter().map(f).sum::<f64>() / n;
    let measuring = mean_of(|s| s.u_own * s.u_own).max(0.0).sqrt();
    let (common, few) = common_of_mean(&shared);
    let std_error = several.then(|| s.std_error());
    let spread = std_error.unwrap_or(measuring);
    let u_mean = spread.hypot(common);
    // Welch–Satterthwaite (GUM G.2b): the spread between n animals, and what few readings of a setup tell.
    let told_by_few = few + if several { spread.powi(4) / (n - 1.0) } else { 0.0 };
    let dof = if told_by_few > 0.0 { u_mean.powi(4) / told_by_few } else { f64::INFINITY };
    let k = student_t_quantile(0.975, dof.max(1.0)).ok();
    let of_mean = k.filter(|_| u_mean > 0.0).map(|k| (s.mean - k * u_mean, s.mean + k * u_mean));
    // One measurement alone keeps its own interval, which may be one-sided.
    let interval_95 = alone(&values).or(of_mean).map(|i| within_reach(unit, i));
    let far = outliers(&means).unwrap_or_default();
    Some(QuantitySummary {
        quantity,
        part: part.to_owned(),
        group: group.to_owned(),
        unit,
        mean: s.mean,
        std_dev: several.then_some(s.std_dev),
        std_error,
        median: quantile_of_sorted(&means, 0.5).ok()?,
        range: (*means.first()?, *means.last()?),
        interval_95,
        measuring,
        common,
        between: several.then(|| (s.std_dev.powi(2) - measuring.powi(2)).max(0.0).sqrt()),
        outliers: far.into_iter().filter_map(|i| samples.get(i)).map(|s| s.animal).collect(),
        not_resolved: animals.len() - samples.len(),
        samples,
    })
}

/// The interval of the only measurement.
fn alone(values: &[(AnimalId, Option<Value>)]) -> Option<(f64, f64)> {
    let mut known = values.iter().filter_map(|v| v.1);
    let only = known.next()?;
    if known.next().is_some() { None } else { only.interval }
}

/// Standard uncertainty of the mean from what is shared, and its sum of `u⁴/ν`. What is shared is fully correlated among those who share
/// it: its mean is its uncertainty in the mean of all. Setups are independent.
fn common_of_mean(shared: &[Shared]) -> (f64, f64) {
    let n = shared.len() as f64;
    let mut setups: BTreeMap<SetupId, OfSetup> = BTreeMap::new();
    for (setup, part) in shared.iter().flat_map(|s| &s.by_setup) {
        setups.entry(*setup).or_default().add(1.0 / n, *part);
    }
    let by_all = shared.iter().map(|s| s.by_all).sum::<f64>() / n;
    let of_setups: f64 = setups.values().map(|s| s.u * s.u).sum();
    ((by_all * by_all + of_setups).sqrt(), setups.values().map(|s| s.few.powi(4)).sum())
}

fn sampled(values: &[(AnimalId, Option<Value>)]) -> Option<Shared> {
    let animal = values.first()?.0;
    let known: Vec<Value> = values.iter().filter_map(|v| v.1).collect();
    if known.is_empty() {
        return None;
    }
    let n = known.len() as f64;
    let mean = |f: fn(&Value) -> f64| known.iter().map(f).sum::<f64>() / n;
    let mut by_setup: Vec<(SetupId, OfSetup)> = Vec::new();
    for v in &known {
        if by_setup.iter().all(|(setup, _)| *setup != v.setup) {
            by_setup.push((v.setup, OfSetup::default()));
        }
        let mine = by_setup.iter_mut().find(|(setup, _)| *setup == v.setup);
        mine.into_iter().for_each(|(_, of)| of.add(1.0 / n, v.of_setup));
    }
    // How the animal lies and where its edge is stay as they are however often it is marked.
    let (hand, rest) = ((mean(|v| v.hand) / n).sqrt(), mean(|v| v.rest.sqrt()));
    let sampled = Sampled { animal, value: mean(|v| v.value), measurements: known.len(), u_own: hand.hypot(rest) };
    Some(Shared { sampled, by_all: mean(|v| v.by_all.sqrt()), by_setup })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notebook::testing::{NOW, kept, measurement, picture};
    use crate::notebook::{Action, Animal, BudgetNote, MeasurementId, Notebook, NotebookId, Unknown};

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
            (figure.low, figure.high) = (Some(v - 1.96 * u), Some(v + 1.96 * u));
            let line = |source: &str, u_line: f64| BudgetNote {
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
    fn repeats_lessen_the_hand_and_not_how_the_animal_lies() {
        let mut n = of_values(&[300.0], 4.0, 0.0);
        let first = n.measurement(MeasurementId::new(4)).unwrap().clone();
        for i in 1..9 {
            let mut again = first.clone();
            again.id = MeasurementId::new(100 + i);
            n.apply(Action::AddMeasurement { measurement: Box::new(again), at: None }).unwrap();
        }
        assert!((n.statistics()[0].measuring - 4.0 / 3.0).abs() < 1e-9);
        for id in (101..109).chain([4]) {
            let mut m = n.measurement(MeasurementId::new(id)).unwrap().clone();
            m.reported.as_mut().unwrap().figure.budget[0].source = animal_source::LYING.into();
            n.apply(Action::ChangeMeasurement { measurement: Box::new(m) }).unwrap();
        }
        assert!((n.statistics()[0].measuring - 4.0).abs() < 1e-9);
    }

    /// A setup whose own spread four readings tell: ν = 3 of what is nearly all of the mean's uncertainty.
    #[test]
    fn what_few_readings_tell_is_known_with_few_degrees_of_freedom() {
        let values: Vec<f64> = (0..400).map(|i| 300.0 + f64::from(i % 20) - 9.5).collect();
        let mut n = of_values(&values, 0.01, 2.0);
        for id in (0..400).map(|i| 4 + 2 * i) {
            let mut m = n.measurement(MeasurementId::new(id)).unwrap().clone();
            let figure = &mut m.reported.as_mut().unwrap().figure;
            figure.budget[1].source = setup_source::REPRODUCIBILITY.into();
            figure.budget[1].evaluation = "A".into();
            figure.dof = Some(3.0 * (figure.u.unwrap() / 2.0).powi(4));
            n.apply(Action::ChangeMeasurement { measurement: Box::new(m) }).unwrap();
        }
        let (low, high) = n.statistics()[0].interval_95.unwrap();
        // u of the mean: √(2² + 5.774²/400) = 2.0207; ν = 2.0207⁴ / (2⁴/3) = 3.126, the animals' spread adds nothing to speak of.
        let k = student_t_quantile(0.975, 3.126).unwrap();
        assert!(k > 3.0 && ((high - low) / 2.0 / (k * 2.0207) - 1.0).abs() < 2e-3, "{low} {high}");
    }

    #[test]
    fn one_animal_outliers_and_the_unresolved() {
        let one = &of_values(&[300.0], 1.0, 1.0).statistics()[0];
        assert_eq!((one.std_dev, one.between), (None, None));
        let (low, high) = one.interval_95.unwrap();
        assert!(((high - low) / 2.0 - 1.96 * 2.0_f64.sqrt()).abs() < 1e-4);
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

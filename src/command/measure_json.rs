//! A measurement as JSON: every key of a dimension ends in its unit.

use serde::ser::{Serialize, SerializeMap, Serializer};

use crate::animal::{Kind, Measured, Unit};
use crate::uncertainty::BudgetLine;

/// One measurement.
#[derive(Debug)]
pub(super) struct MeasurementJson<'a>(pub(super) &'a Measured);

impl Serialize for MeasurementJson<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let m = self.0;
        let key = |name: &str| format!("{name}{}", m.unit.suffix());
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("name", &m.name)?;
        map.serialize_entry("kind", m.kind.name())?;
        map.serialize_entry(&key("value"), &finite(m.value))?;
        map.serialize_entry(&key("u"), &finite(m.u))?;
        map.serialize_entry(&key("low"), &finite(m.low))?;
        map.serialize_entry(&key("high"), &finite(Some(m.high)))?;
        map.serialize_entry("coverage", &m.coverage)?;
        map.serialize_entry("k", &finite(m.k))?;
        map.serialize_entry("dof", &finite(m.dof))?;
        map.serialize_entry("verdict", m.verdict.name())?;
        map.serialize_entry("placement", m.placement)?;
        let parts: Vec<Self> = m.parts.iter().map(MeasurementJson).collect();
        let (segments, figures) = if m.kind == Kind::Outline { (vec![], parts) } else { (parts, vec![]) };
        map.serialize_entry("segments", &segments)?;
        if !figures.is_empty() {
            map.serialize_entry("parts", &figures)?;
        }
        let budget: Vec<LineJson<'_>> = m.budget.iter().map(|line| LineJson { line, unit: m.unit }).collect();
        map.serialize_entry("budget", &budget)?;
        map.serialize_entry("warnings", &m.warnings)?;
        map.end()
    }
}

struct LineJson<'a> {
    line: &'a BudgetLine,
    unit: Unit,
}

impl Serialize for LineJson<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("source", &self.line.source)?;
        map.serialize_entry("label", &self.line.label)?;
        map.serialize_entry("type", self.line.evaluation.letter())?;
        map.serialize_entry("distribution", self.line.distribution)?;
        map.serialize_entry(&format!("u{}", self.unit.suffix()), &self.line.u)?;
        map.serialize_entry("share", &self.line.share)?;
        map.end()
    }
}

/// JSON has no infinity: what is not finite is absent.
fn finite(value: Option<f64>) -> Option<f64> {
    value.filter(|v| v.is_finite())
}

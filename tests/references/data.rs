//! The output of references.py, run once, and the comparison that all tests use.

use crate::support::python;
use std::sync::LazyLock;
use vigilux::quantities::{Matrix, SourceRule, index_of, registry, values};

static REFERENCES: LazyLock<serde_json::Value> = LazyLock::new(|| python::json_of("tests/references/references.py"));

/// A part of the output of the reference libraries.
pub fn reference(path: &str) -> &'static serde_json::Value {
    REFERENCES.pointer(path).unwrap_or_else(|| panic!("references.py answers nothing at {path}"))
}

pub fn number(path: &str) -> f64 {
    reference(path).as_f64().unwrap_or_else(|| panic!("{path} is not a number"))
}

pub fn numbers(path: &str) -> Vec<f64> {
    let list = reference(path).as_array().unwrap_or_else(|| panic!("{path} is not a list"));
    list.iter().map(|x| x.as_f64().unwrap_or_else(|| panic!("{path} holds {x}"))).collect()
}

/// All quantities of a spectrum over a range, by identifier.
pub struct Quantities(Vec<Option<f64>>);

impl Quantities {
    pub fn of(axis: &[f64], light: &[f64], range: (f64, f64), source: SourceRule) -> Self {
        let matrix = Matrix::build(axis, range, source);
        Self(values(&matrix, light).into_iter().map(Result::ok).collect())
    }
    pub fn get(&self, id: &str) -> f64 {
        self.0[index_of(id).unwrap()].unwrap_or_else(|| panic!("{id} has no value"))
    }
}

/// Fails with the wanted and found values and their difference, in the quantity's unit.
pub fn close(what: &str, id: &str, want: f64, got: f64, tolerance: f64) {
    let unit = index_of(id).map_or("1", |q| registry()[q].unit);
    let off = got - want;
    assert!(
        off.abs() <= tolerance,
        "{what}, {id}: want {want}, got {got}, off by {off:e} {unit}, allowed {tolerance:e}"
    );
}

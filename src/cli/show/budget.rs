//! `vigilux show --budget`: what each component contributes to the uncertainty of one value.

use super::super::format::{pretty_unit, put, rounded};
use super::super::source::Archive;
use super::super::{Failure, print, print_json};
use crate::archive::budget::{Budget, Component, budget};
use crate::archive::recomputer::Recomputer;
use crate::quantities::{index_of, registry};
use crate::record::QuantityValue;
use crate::store::StoredReading;
use serde_json::{Value, json};

/// Prints the budget of a quantity of the reading `id`, or of the latest reading.
pub fn run(archive: &Archive, quantity: &str, id: Option<i64>, as_json: bool) -> Result<(), Failure> {
    let Some(index) = index_of(quantity) else {
        let expected = "the identifier of a quantity (`vigilux quantities` lists them)";
        return Err(Failure::Usage(format!("--budget: expected {expected}, but found `{quantity}`")));
    };
    let reader = &archive.reader;
    let found = match id {
        Some(id) => reader.reading(id)?,
        None => reader.latest(1)?.pop(),
    };
    let Some(stored) = found else {
        return Err(match id {
            Some(id) => Failure::Usage(format!("--id: expected the number of a stored reading, but found {id}")),
            None => Failure::Failed("there is no reading yet".into()),
        });
    };
    let Some(budget) = budget(&mut Recomputer::new(), reader, &stored, index)? else {
        let reason = match reader.position(quantity).and_then(|k| stored.reading.values.get(k)) {
            Some(QuantityValue::Null(reason)) => reason.as_str(),
            _ => "no value",
        };
        return Err(Failure::Failed(format!("{quantity} of reading {} has no value: {reason}", stored.reading.id)));
    };
    let report = Report { quantity: index, stored: &stored, budget: &budget };
    if as_json { print_json(&report.json()) } else { print(&report.text()) }
}

/// A budget with what it belongs to.
struct Report<'a> {
    quantity: usize,
    stored: &'a StoredReading,
    budget: &'a Budget,
}

impl Report<'_> {
    /// Share of the variance [%].
    fn share(&self, component: &Component) -> f64 {
        100.0 * (component.contribution / self.budget.recomputed).powi(2)
    }

    fn text(&self) -> String {
        let (quantity, budget) = (&registry()[self.quantity], self.budget);
        let (u, unit) = (budget.recomputed, pretty_unit(quantity.unit));
        let mut out = String::new();
        let reading = &self.stored.reading;
        put(&mut out, format_args!("{}, reading {} of {}", quantity.id, reading.id, reading.time_mid));
        let (value, around) = (rounded(budget.value, u), rounded(u, u));
        put(&mut out, format_args!("{value} {unit}, standard uncertainty {around} {unit} (k = 1)"));
        if budget.components.is_empty() {
            put(
                &mut out,
                format_args!("the uncertainty of {} is drawn, not summed: it has no components", quantity.id),
            );
            return out;
        }
        put(
            &mut out,
            format_args!(
                "\n{:<26} type  {:>18}  {:>14}  {:>14}  {:>9}  {:>10}",
                "component", "u of the input", "sensitivity", "contribution", "% of value", "% of u²"
            ),
        );
        for component in &budget.components {
            self.line(&mut out, component);
        }
        put(&mut out, format_args!("\n{:<26} {:>54}  {}", "root sum of squares", number(u), self.difference()));
        out
    }

    fn line(&self, out: &mut String, component: &Component) {
        let sign = match component.sign {
            None => "±",
            Some(s) if s < 0.0 => "-",
            Some(_) => "+",
        };
        let input = component.input.map_or("-".to_owned(), |(u, unit)| {
            let unit = if unit == "1" { "" } else { unit };
            format!("{} {unit}", number(u)).trim_end().to_owned()
        });
        let sensitivity = component.sensitivity().map_or("-".to_owned(), number);
        let contribution = format!("{sign}{}", number(component.contribution));
        let relative = match self.budget.value {
            0.0 => "-".to_owned(),
            value => format!("{sign}{:.3}", 100.0 * component.contribution / value.abs()),
        };
        put(
            out,
            format_args!(
                "{:<26} {:<4}  {input:>18}  {sensitivity:>14}  {contribution:>14}  {relative:>9}  {:>10.2}",
                component.name,
                component.evaluation.name(),
                self.share(component)
            ),
        );
    }

    /// How the recomputed uncertainty compares with the stored one.
    fn difference(&self) -> String {
        match self.budget.stored {
            Some(stored) if stored == self.budget.recomputed => "as stored".to_owned(),
            Some(stored) => format!("stored: {}, by another version of the program", number(stored)),
            None => "none stored".to_owned(),
        }
    }

    fn json(&self) -> Value {
        let (quantity, budget) = (&registry()[self.quantity], self.budget);
        let component = |c: &Component| {
            let sign = c.sign.map_or("±", |s| if s < 0.0 { "-" } else { "+" });
            json!({
                "component": c.name, "type": c.evaluation.name(), "u": c.input.map(|(u, _)| u), "u_unit": c.input.map(|(_, unit)| unit),
                "sensitivity": c.sensitivity(), "contribution": c.contribution, "sign": sign,
                "percent_of_value": (budget.value != 0.0).then(|| 100.0 * c.contribution / budget.value.abs()),
                "percent_of_variance": self.share(c),
            })
        };
        json!({
            "reading": self.stored.reading.id, "time_mid": self.stored.reading.time_mid.to_string(), "quantity": quantity.id,
            "unit": quantity.unit, "value": budget.value, "uncertainty": budget.recomputed, "stored_uncertainty": budget.stored,
            "drawn": budget.components.is_empty(), "components": budget.components.iter().map(component).collect::<Vec<_>>(),
        })
    }
}

/// Four significant digits.
fn number(x: f64) -> String {
    match x.abs() {
        0.0 => "0".to_owned(),
        size if (1e-3..1e5).contains(&size) => {
            let digits = (3 - size.log10().floor() as i32).max(0) as usize;
            format!("{x:.digits$}")
        }
        _ => format!("{x:.3e}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_has_four_digits() {
        for (x, want) in
            [(0.0, "0"), (0.012345, "0.01235"), (1234.56, "1235"), (-2.5e-7, "-2.500e-7"), (3.2e7, "3.200e7")]
        {
            assert_eq!(number(x), want);
        }
    }
}

//! The unit file with what was measured in place of what was known before; comments and layout stay.

use super::RungError;
use crate::files::unit::Unit as UnitFile;
use crate::plan::Plan;
use crate::results::Results;
use crate::units::{Unit, number_text, parse_unit, rounded_text};
use toml_edit::{Array, DocumentMut, Item, Value};

/// Which figure goes where in a unit file: metric, table, key, unit that it is written in.
const PLACES: &[(&str, &str, &str, &str)] = &[
    ("dc_resistance", "machine", "resistance", "mOhm"),
    ("linked_flux", "machine", "flux_linkage", "mWb"),
    ("holding_inertia", "rotor", "inertia", "kg m2"),
    ("holding_friction", "rotor", "friction", "Nm"),
    ("holding_drag", "rotor", "drag", "Nm s/rad"),
];

/// Begin of the remark that this room leaves behind a value.
const REMARK: &str = "# measured ";

/// A measured figure that a unit file has a place for.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Table and key in the unit file.
    pub place: (&'static str, &'static str),
    /// Id of the metric.
    pub metric: &'static str,
    /// The figure and its standard uncertainty in `unit`.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Unit in which both are given and written.
    pub unit: Unit,
    /// Name of the rung.
    pub rung: String,
    /// Whether the unit was a simulated one.
    pub simulated: bool,
    /// Between which ends the unit file had it, in `unit`. None where a coast measures something else beside it:
    /// what slows a shaft down is the iron's hysteresis as well as friction.
    pub known: Option<[f64; 2]>,
}

impl Found {
    /// The two ends to be written: two standard uncertainties either way (k = 2), the lower never below a tenth of the
    /// value, since no such figure is zero or less.
    fn ends(&self) -> [String; 2] {
        let low = (self.value - 2.0 * self.u).max(0.1 * self.value);
        let high = self.value + 2.0 * self.u;
        // Two digits of the uncertainty, the ends rounded away from the middle.
        let step = 10f64.powf(self.u.max(1e-9 * self.value.abs()).log10().floor() - 1.0);
        let text = |number: f64| format!("{} {}", number_text(number), self.unit);
        [text((low / step + 1e-6).floor() * step), text((high / step - 1e-6).ceil() * step)]
    }

    /// In a line, for people: what, how well known, and by what.
    pub fn line(&self) -> String {
        format!(
            "{}.{} = [\"{}\", \"{}\"]  {}",
            self.place.0,
            self.place.1,
            self.ends()[0],
            self.ends()[1],
            self.remark()
        )
    }

    /// In words, if the figure lies outside what the unit file says by more than two standard uncertainties: nobody should
    /// write that back without a thought.
    pub fn differs(&self) -> Option<String> {
        let [low, high] = self.known?;
        let apart = self.value + 2.0 * self.u < low || self.value - 2.0 * self.u > high;
        let text = |number: f64| format!("{} {}", number_text(number), self.unit);
        apart.then(|| {
            format!(
                "{}.{} was {} to {}: another unit, a defect (weak magnets, a bad joint), or a scale that is wrong",
                self.place.0,
                self.place.1,
                text(low),
                text(high)
            )
        })
    }

    fn remark(&self) -> String {
        let plain = Unit { scale: 1.0, offset: 0.0, ..self.unit.clone() };
        let text = |number: f64| rounded_text(&plain, number, Some(self.u));
        let simulated = if self.simulated { "SIMULATED, " } else { "" };
        format!(
            "{REMARK}{} {}, standard uncertainty {} ({simulated}rung `{}`, {})",
            text(self.value),
            self.unit,
            text(self.u),
            self.rung,
            self.metric
        )
    }
}

/// What a unit file says of a figure, in SI.
fn known(file: &UnitFile, key: &str) -> Option<[f64; 2]> {
    let (machine, rotor) = (&file.machine, &file.rotor);
    match key {
        "resistance" => Some([machine.resistance.low, machine.resistance.high]),
        "flux_linkage" => Some([machine.flux_linkage.low, machine.flux_linkage.high]),
        "inertia" => Some([rotor.inertia.low, rotor.inertia.high]),
        _ => None,
    }
}

/// The figures of a rung that passed for which a unit file has a place.
pub fn found(plan: &Plan, file: &UnitFile, results: &Results, simulated: bool) -> Vec<Found> {
    let tests = plan.tests.iter().zip(&results.verdicts);
    let all = tests.flat_map(|(t, v)| t.criteria.iter().zip(v).map(move |(c, v)| (t, c, v)));
    all.filter_map(|(test, criterion, verdict)| {
        let (metric, table, key, unit) = PLACES.iter().find(|(id, ..)| *id == criterion.metric.id())?;
        let measured = verdict.measured.as_ref().ok().filter(|_| verdict.met)?;
        let unit = parse_unit(unit).ok()?;
        Some(Found {
            place: (table, key),
            metric,
            value: unit.from_si(measured.value),
            u: unit.difference_from_si(measured.u),
            known: known(file, key).map(|ends| ends.map(|end| unit.from_si(end))),
            unit,
            rung: test.name.clone(),
            simulated,
        })
    })
    .collect()
}

/// The text of a unit file with what was found; everything else stays as it is, comments included. What stood there
/// before is kept in the remark.
///
/// Errors if the text is no TOML, or has no such key.
pub fn write_back(text: &str, found: &[Found]) -> Result<String, RungError> {
    let mut file: DocumentMut = text.parse().map_err(|e: toml_edit::TomlError| RungError(e.to_string()))?;
    for one in found {
        let (table, key) = one.place;
        let item = file.get_mut(table).and_then(|t| t.get_mut(key)).and_then(Item::as_value_mut);
        let Some(value) = item else {
            return Err(RungError(format!("the unit file has no `{key}` under [{table}]")));
        };
        let before = value.to_string();
        let (before, remark) = before.split_once('#').map_or((before.as_str(), None), |(v, r)| (v, Some(r)));
        let mut array = Array::new();
        array.extend(one.ends());
        let mut new = Value::Array(array);
        *new.decor_mut() = value.decor().clone();
        let kept = remark.map(str::trim).filter(|r| !r.starts_with(&REMARK[2..]));
        let kept = kept.map_or(String::new(), |r| format!("; {r}"));
        new.decor_mut().set_suffix(format!(" {}; before: {}{kept}", one.remark(), before.trim()));
        *value = new;
    }
    Ok(file.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    const UNIT: &str = include_str!("../../fixtures/demo/unit.toml");

    fn resistance(value: f64, u: f64) -> Found {
        Found {
            place: ("machine", "resistance"),
            metric: "dc_resistance",
            value,
            u,
            unit: parse_unit("mOhm").expect("a unit"),
            rung: "resistance".into(),
            simulated: true,
            known: Some([17.0, 19.0]),
        }
    }

    #[test]
    fn what_lies_outside_the_unit_file_is_told() {
        for (value, u, differs) in
            [(18.0, 0.1, false), (16.9, 0.1, false), (16.7, 0.1, true), (19.3, 0.1, true), (25.0, 4.0, false)]
        {
            assert_eq!(resistance(value, u).differs().is_some(), differs, "{value} mOhm, u {u}");
        }
        let words = resistance(25.0, 0.1).differs().expect("words");
        assert!(words.starts_with("machine.resistance was 17 mOhm to 19 mOhm: "), "{words}");
        assert_eq!(Found { known: None, ..resistance(25.0, 0.1) }.differs(), None);
    }

    #[test]
    fn only_the_line_of_what_was_measured_changes() {
        let new = write_back(UNIT, &[resistance(18.043, 0.12)]).expect("a file");
        let changed: Vec<(&str, &str)> = UNIT.lines().zip(new.lines()).filter(|(a, b)| a != b).collect();
        assert_eq!(UNIT.lines().count(), new.lines().count());
        assert_eq!(
            changed,
            [(
                "resistance = [\"17 mOhm\", \"19 mOhm\"]",
                "resistance = [\"17.8 mOhm\", \"18.29 mOhm\"] # measured 18.04 mOhm, standard uncertainty 0.12 (SIMULATED, \
                 rung `resistance`, dc_resistance); before: [\"17 mOhm\", \"19 mOhm\"]"
            )]
        );
        let mut sources = crate::diag::Sources::default();
        let (unit, diags) = crate::files::load::read_unit(&mut sources, "unit.toml", &new);
        assert!(diags.is_empty());
        let range = unit.expect("a unit").machine.resistance;
        assert!((range.low - 17.8e-3).abs() < 1e-9 && (range.high - 18.29e-3).abs() < 1e-9);
    }

    #[test]
    fn measured_again_the_older_remark_goes_and_a_persons_own_stays() {
        let text = UNIT.replace("\"19 mOhm\"]", "\"19 mOhm\"] # cold");
        let once = write_back(&text, &[resistance(18.0, 0.1)]).expect("a file");
        assert!(once.contains("before: [\"17 mOhm\", \"19 mOhm\"]; cold"), "{once}");
        let twice = write_back(&once, &[resistance(18.2, 0.1)]).expect("a file");
        assert!(twice.contains("before: [\"17.8 mOhm\", \"18.2 mOhm\"]\n"), "{twice}");
        assert_eq!(twice.matches("measured").count(), 1);
    }

    #[test]
    fn a_file_without_the_key_is_left_alone() {
        let error = write_back("schema = 1", &[resistance(18.0, 0.1)]).expect_err("no key");
        assert!(error.to_string().contains("no `resistance` under [machine]"));
    }
}

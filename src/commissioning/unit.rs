//! What was measured that a unit file has a place for.

use crate::files::unit::Unit as UnitFile;
use crate::plan::{Plan, Test};
use crate::results::Results;
use crate::units::{Unit, number_text, parse_unit, rounded_text};

/// Which figure goes where in a unit file: metric, table, key, unit that it is written in.
const PLACES: &[(&str, &str, &str, &str)] = &[
    ("dc_resistance", "machine", "resistance", "mOhm"),
    ("linked_flux", "machine", "flux_linkage", "mWb"),
    ("holding_inertia", "rotor", "inertia", "kg m2"),
    ("holding_friction", "rotor", "friction", "Nm"),
    ("holding_drag", "rotor", "drag", "Nm s/rad"),
];

/// A measured figure that a unit file has a place for.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Table and key in the unit file.
    pub place: (&'static str, &'static str),
    /// Id of the metric.
    pub metric: &'static str,
    /// The figure in `unit`.
    pub value: f64,
    /// Its standard uncertainty in `unit`.
    pub u: f64,
    /// Unit in which all of them are given and written.
    pub unit: Unit,
    /// Name of the rung.
    pub rung: String,
    /// Whether the unit was a simulated one.
    pub simulated: bool,
    /// Between which ends the unit file had it as it was read, in `unit`.
    pub before: [f64; 2],
}

impl Found {
    /// The two ends that it asks for: two standard uncertainties either way (k = 2), the lower never below a tenth of the
    /// value, since no such figure is zero or less.
    fn ends(&self) -> [f64; 2] {
        let low = (self.value - 2.0 * self.u).max(0.1 * self.value);
        let high = self.value + 2.0 * self.u;
        // Two digits of the uncertainty, the ends rounded away from the middle.
        let step = 10f64.powf(self.u.max(1e-9 * self.value.abs()).log10().floor() - 1.0);
        [(low / step + 1e-6).floor() * step, (high / step - 1e-6).ceil() * step]
    }

    /// In words, if the figure lies outside what the unit file says by more than two standard uncertainties: nobody should
    /// write that back without a thought. Not of a friction or drag: what slows a shaft down is the iron's hysteresis as well.
    pub fn differs(&self) -> Option<String> {
        if self.place.1 == "friction" || self.place.1 == "drag" {
            return None;
        }
        let [low, high] = self.before;
        let apart = self.value + 2.0 * self.u < low || self.value - 2.0 * self.u > high;
        apart.then(|| {
            format!(
                "{}.{} was {}, and the rung `{}` measured {} {}: another unit, a defect (weak magnets, a bad joint), or a scale \
                 that is wrong",
                self.place.0,
                self.place.1,
                self.was(),
                self.rung,
                self.rounded(self.value),
                self.unit
            )
        })
    }

    /// What the unit file said, for people.
    fn was(&self) -> String {
        let text = |number: f64| format!("{} {}", number_text(number), self.unit);
        let [low, high] = self.before;
        if low == high { text(low) } else { format!("{} to {}", text(low), text(high)) }
    }

    fn rounded(&self, number: f64) -> String {
        let plain = Unit { scale: 1.0, offset: 0.0, ..self.unit.clone() };
        rounded_text(&plain, number, Some(self.u))
    }

    fn words(&self) -> String {
        let simulated = if self.simulated { "SIMULATED, " } else { "" };
        format!(
            "{} {}, standard uncertainty {} ({simulated}rung `{}`, {})",
            self.rounded(self.value),
            self.unit,
            self.rounded(self.u),
            plain(&self.rung),
            self.metric
        )
    }
}

/// A name as it may stand in a remark: on one line, and without what ends the remark.
fn plain(name: &str) -> String {
    let fit = |c: char| match c {
        '[' => '(',
        ']' => ')',
        c if c.is_control() => ' ',
        c => c,
    };
    name.chars().map(fit).collect()
}

/// What one place of a unit file gets: one range that holds all that was measured of it. Of two phases, one of which is weak,
/// both are in it, and a hazard takes the worse end.
#[derive(Debug, Clone)]
pub struct Place<'a> {
    all: Vec<&'a Found>,
}

/// The places that something was measured for, in the order in which they were first measured.
pub fn places(found: &[Found]) -> Vec<Place<'_>> {
    let mut places: Vec<Place<'_>> = Vec::new();
    for one in found {
        match places.iter_mut().find(|p| p.key() == one.place) {
            Some(place) => place.all.push(one),
            None => places.push(Place { all: vec![one] }),
        }
    }
    places
}

impl Place<'_> {
    /// Table and key in the unit file.
    pub(super) fn key(&self) -> (&'static str, &'static str) {
        self.all.first().map_or(("", ""), |one| one.place)
    }

    /// From the lowest of the lower ends to the highest of the upper, as written.
    pub(super) fn ends(&self) -> [String; 2] {
        let ends = || self.all.iter().map(|one| one.ends());
        let low = ends().map(|[low, _]| low).fold(f64::INFINITY, f64::min);
        let high = ends().map(|[_, high]| high).fold(f64::NEG_INFINITY, f64::max);
        let unit = self.all.first().map_or(String::new(), |one| one.unit.to_string());
        [low, high].map(|end| format!("{} {unit}", number_text(end)))
    }

    /// The same in SI.
    pub(super) fn span_si(&self) -> [f64; 2] {
        let read = |end: String| crate::units::parse_quantity(&end).map_or(f64::NAN, |q| q.si);
        self.ends().map(read)
    }

    /// By what it is known, and what was known before: one line without square brackets.
    pub(super) fn remark(&self) -> String {
        let all: Vec<String> = self.all.iter().map(|one| one.words()).collect();
        let before = self.all.first().map_or(String::new(), |one| one.was());
        format!("measured {}; before: {before}", all.join(" and "))
    }

    /// In a line, for people: what, how well known, and by what.
    pub fn line(&self) -> String {
        let ((table, key), [low, high]) = (self.key(), self.ends());
        format!("{table}.{key} = [\"{low}\", \"{high}\"]  {}", self.remark())
    }
}

/// What a unit file says of a figure, in SI.
pub(super) fn said(file: &UnitFile, key: &str) -> Option<[f64; 2]> {
    let (machine, rotor) = (&file.machine, &file.rotor);
    match key {
        "resistance" => Some([machine.resistance.low, machine.resistance.high]),
        "flux_linkage" => Some([machine.flux_linkage.low, machine.flux_linkage.high]),
        "inertia" => Some([rotor.inertia.low, rotor.inertia.high]),
        "friction" => Some([rotor.friction.low, rotor.friction.high]),
        "drag" => Some([rotor.drag.low, rotor.drag.high]),
        _ => None,
    }
}

/// The figures of a rung that passed for which a unit file has a place.
pub fn found(plan: &Plan, file: &UnitFile, results: &Results, simulated: bool) -> Vec<Found> {
    let tests = plan.tests.iter().zip(&results.verdicts);
    let all = tests.flat_map(|(t, v)| t.criteria.iter().zip(v).map(move |(c, v)| (t, c, v)));
    all.filter_map(|(test, criterion, verdict)| {
        let measured = verdict.measured.as_ref().ok().filter(|_| verdict.met)?;
        let of = at_its_place(file, test, criterion.metric.id())?;
        let (value, u) = (of.unit.from_si(measured.value), of.unit.difference_from_si(measured.u));
        Some(Found { value, u, simulated, ..of })
    })
    .collect()
}

/// What the criteria of a plan may give, at what the file says already: to see that it can be written.
pub(super) fn to_be_found(plan: &Plan, file: &UnitFile) -> Vec<Found> {
    let all = plan.tests.iter().flat_map(|t| t.criteria.iter().map(move |c| (t, c)));
    all.filter_map(|(test, criterion)| at_its_place(file, test, criterion.metric.id())).collect()
}

/// The place of a metric's figure and what stands there; `None` where no file has one.
fn at_its_place(file: &UnitFile, test: &Test, id: &str) -> Option<Found> {
    let (metric, table, key, unit) = PLACES.iter().find(|(metric, ..)| *metric == id)?;
    let unit = parse_unit(unit).ok()?;
    let before = said(file, key)?.map(|end| unit.from_si(end));
    let middle = 0.5 * (before[0] + before[1]);
    let value = if middle > 0.0 { middle } else { 1.0 };
    let (place, rung) = ((*table, *key), test.name.clone());
    Some(Found { place, metric, value, u: 0.01 * value, unit, rung, simulated: true, before })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A resistance as a rung measures it, of a unit file that says 17 to 19 mOhm; in mOhm.
    pub(in crate::commissioning) fn resistance(value: f64, u: f64) -> Found {
        Found {
            place: ("machine", "resistance"),
            metric: "dc_resistance",
            value,
            u,
            unit: parse_unit("mOhm").expect("a unit"),
            rung: "resistance".into(),
            simulated: true,
            before: [17.0, 19.0],
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
        assert!(
            words.starts_with(
                "machine.resistance was 17 mOhm to 19 mOhm, and the rung `resistance` measured 25.00 mOhm: "
            ),
            "{words}"
        );
        let friction = Found { place: ("rotor", "friction"), ..resistance(25.0, 0.1) };
        assert_eq!(friction.differs(), None, "a coast measures hysteresis beside it");
    }

    /// One weak phase, seen at 0 electrical degrees and not at 120: 38.12 - 2 x 0.62 = 36.88 and 38.12 + 1.24 = 39.36;
    /// 23.53 - 2 x 0.65 = 22.23 and 24.83. The range holds both.
    #[test]
    fn of_several_measurements_of_one_place_the_worst_is_never_lost() {
        let [weak, good] = [resistance(38.12, 0.62), resistance(23.53, 0.65)];
        for found in [[weak.clone(), good.clone()], [good, weak]] {
            let places = places(&found);
            assert_eq!(places.len(), 1, "written once");
            assert_eq!(places[0].ends(), ["22.23 mOhm", "39.36 mOhm"]);
            let remark = places[0].remark();
            assert!(remark.contains("38.12 mOhm") && remark.contains("23.53 mOhm"), "{remark}");
            assert_eq!(remark.matches("before: 17 mOhm to 19 mOhm").count(), 1, "{remark}");
        }
    }
}

//! A cycle: a table of a demand over time, in a CSV file.
//!
//! The first line that says something is the header: two columns, each a word and a unit, as
//! `t_s,speed_rpm` or `time (s); speed (rpm)`. Every other line is a point. Empty lines and lines that begin
//! with `#` are passed over. Columns are separated by what separates them in the header: a comma, a semicolon
//! or a tab; decimals have a point.

use crate::diag::{Diag, FileId, Place};
use crate::units::{Unit, parse_unit};

/// The most points that a table may have: a slip of the pen must not fill the memory.
const POINTS_MAX: usize = 100_000;

/// A table as written; nothing is held against a rig yet.
#[derive(Debug, Clone, PartialEq)]
pub struct CycleTable {
    /// Unit of the second column.
    pub unit: Unit,
    /// Where the header of the second column stands.
    pub header: Place,
    /// The points, at least two, with times that rise.
    pub points: Vec<Point>,
}

/// One line of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Time in seconds.
    pub t: f64,
    /// Value in SI.
    pub value: f64,
    /// Where the time was written.
    pub t_at: Place,
    /// Where the value was written.
    pub value_at: Place,
}

/// Reads a table with every mistake reported; there is one only if nothing is wrong.
pub fn read_cycle(file: FileId, text: &str) -> (Option<CycleTable>, Vec<Diag>) {
    let mut diags = Vec::new();
    let table = Lines { file, text, diags: &mut diags }.table();
    (table.filter(|_| diags.is_empty()), diags)
}

struct Lines<'a> {
    file: FileId,
    text: &'a str,
    diags: &'a mut Vec<Diag>,
}

impl<'a> Lines<'a> {
    fn table(&mut self) -> Option<CycleTable> {
        let text = self.text;
        let mut lines = text
            .trim_start_matches('\u{feff}')
            .lines()
            .map(str::trim)
            .filter(|line| !line.is_empty() && !line.starts_with('#'));
        let Some(header) = lines.next() else {
            self.wrong(text, "the table is empty, expected a header and points", Some(HEADER));
            return None;
        };
        let separator = [';', '\t', ','].into_iter().find(|c| header.contains(*c)).unwrap_or(',');
        let columns = self.columns(header, separator);
        let mut points: Vec<Point> = Vec::new();
        for line in lines {
            if points.len() == POINTS_MAX {
                self.wrong(line, format!("the table is longer than {POINTS_MAX} points"), None);
                return None;
            }
            let Some(point) = self.point(line, separator, columns.as_ref()) else { continue };
            if let Some(before) = points.last().filter(|before| point.t <= before.t) {
                let (this, before) = (self.shown(point.t_at), before.t_at);
                let message =
                    format!("the time {this} does not come after {}, the one before", self.shown(before));
                self.diags.push(Diag::at(point.t_at, message).other(before, ""));
            }
            points.push(point);
        }
        let (_, unit) = columns?;
        if points.len() < 2 && self.diags.is_empty() {
            let found = if points.is_empty() { "no point" } else { "one point" };
            self.wrong(header, format!("the table has {found}, expected at least two"), None);
        }
        let at = header.split(separator).nth(1).map_or(header, str::trim);
        Some(CycleTable { unit, header: self.place(at), points })
    }

    /// The units of time and value.
    fn columns(&mut self, header: &'a str, separator: char) -> Option<(Unit, Unit)> {
        let names: Vec<&str> = header.split(separator).map(unquoted).collect();
        if names.iter().all(|name| name.parse::<f64>().is_ok()) {
            self.wrong(
                header,
                "the first line has numbers, expected a header that names the columns",
                Some(HEADER),
            );
            return None;
        }
        let [time, value] = names.as_slice() else {
            let message = format!("found {}, expected two: time and demand", columns(names.len()));
            self.wrong(header, message, Some(HEADER));
            return None;
        };
        let (t, v) = (self.unit(time), self.unit(value));
        let t = t?;
        let seconds = parse_unit("s").map(|s| s.kind).unwrap_or_default();
        if t.kind != seconds {
            let found = crate::units::with_article(&t.kind.name());
            self.wrong(
                time,
                format!("the first column `{time}` is {found}, expected a duration"),
                Some(HEADER),
            );
            return None;
        }
        Some((t, v?))
    }

    /// The unit in the name of a column: in brackets, after a slash, or after the last `_` or space.
    fn unit(&mut self, name: &'a str) -> Option<Unit> {
        let bracketed = name.strip_suffix([')', ']']).and_then(|n| n.rsplit_once(['(', '[']));
        let parts = bracketed
            .or_else(|| name.rsplit_once(" / "))
            .or_else(|| name.rsplit_once('_'))
            .or_else(|| name.rsplit_once(' '));
        let Some((_, unit)) = parts else {
            self.wrong(name, format!("the column `{name}` has no unit"), Some(HEADER));
            return None;
        };
        match parse_unit(unit.trim()) {
            Ok(unit) => Some(unit),
            Err(error) => {
                let help = error.help.as_deref();
                self.wrong(name, format!("in the column `{name}`: {}", error.message), help);
                None
            }
        }
    }

    /// A point; with wrong columns only its numbers are looked at.
    fn point(&mut self, line: &'a str, separator: char, units: Option<&(Unit, Unit)>) -> Option<Point> {
        let fields: Vec<&str> = line.split(separator).map(unquoted).collect();
        let [t, v] = fields.as_slice() else {
            self.wrong(line, format!("found {}, expected 2", columns(fields.len())), None);
            return None;
        };
        let (time, value) = (self.number(t), self.number(v));
        let (time, value) = (time?, value?);
        let (seconds, unit) = units?;
        let (t_at, value_at) = (self.place(t), self.place(v));
        Some(Point { t: seconds.to_si(time), value: unit.to_si(value), t_at, value_at })
    }

    fn number(&mut self, text: &'a str) -> Option<f64> {
        let number = text.parse::<f64>().ok().filter(|n| n.is_finite());
        if number.is_none() {
            let help = text.contains(',').then_some("decimals have a point");
            self.wrong(text, format!("`{text}` is not a finite number"), help);
        }
        number
    }

    fn wrong(&mut self, at: &'a str, message: impl Into<String>, help: Option<&str>) {
        let place = self.place(at);
        self.diags.push(Diag::at(place, message).help_opt(help.map(str::to_string)));
    }

    /// The place of a part of the text.
    fn place(&self, part: &'a str) -> Place {
        let start = part.as_ptr() as usize - self.text.as_ptr() as usize;
        Place::new(self.file, start..start + part.len())
    }

    fn shown(&self, at: Place) -> String {
        format!("`{}`", &self.text[at.start..at.end])
    }
}

/// What a header looks like, for messages.
const HEADER: &str = "write a header such as `t_s,speed_rpm` or `time (s),speed (rpm)`";

fn unquoted(field: &str) -> &str {
    let field = field.trim();
    field.strip_prefix('"').and_then(|f| f.strip_suffix('"')).map_or(field, str::trim)
}

fn columns(count: usize) -> String {
    if count == 1 { "1 column".into() } else { format!("{count} columns") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diag::Sources;

    fn read(text: &str) -> (Option<CycleTable>, Vec<(usize, String)>) {
        let mut sources = Sources::default();
        let file = sources.add("town.csv", text);
        let (table, diags) = read_cycle(file, text);
        let line = |d: &Diag| sources.line(d.place.as_ref().expect("a place").0);
        let found = diags.iter().map(|d| (line(d), d.message.clone())).collect();
        (table, found)
    }

    #[test]
    fn units_are_read_however_people_write_them() {
        for header in [
            "t_s,speed_rpm",
            "time (s),speed (rpm)",
            "\u{feff}t [s];speed [rpm]",
            "time / s\tspeed / rpm",
            "t s,speed rpm",
            "# round of a van\n\n\"t_s\",\"shaft_speed_rpm\"",
        ] {
            let separator = [';', '\t'].into_iter().find(|c| header.contains(*c)).unwrap_or(',');
            let text = format!("{header}\r\n0{separator}60\r\n\r\n1.5{separator} 120 \r\n");
            let (table, found) = read(&text);
            assert_eq!(found, [], "{header}");
            let points: Vec<(f64, f64)> =
                table.expect(header).points.iter().map(|p| (p.t, p.value)).collect();
            let turn = std::f64::consts::TAU;
            assert_eq!(points, [(0.0, turn), (1.5, 2.0 * turn)], "{header}");
        }
        let (table, _) = read("t_ms,speed_rad/s\n0,1\n500,2\n");
        assert_eq!(table.expect("a table").points[1].t, 0.5);
    }

    #[test]
    fn every_mistake_has_its_line() {
        let rows: &[(&str, &[(usize, &str)])] = &[
            ("", &[(1, "the table is empty, expected a header and points")]),
            ("0,1\n1,2\n", &[(1, "the first line has numbers, expected a header that names the columns")]),
            (
                "t_s\n0\n1\n",
                &[
                    (1, "found 1 column, expected two: time and demand"),
                    (2, "found 1 column, expected 2"),
                    (3, "found 1 column, expected 2"),
                ],
            ),
            ("t,speed_rpm\n0,1\n1,2\n", &[(1, "the column `t` has no unit")]),
            (
                "t_rpm,speed_rpm\n0,1\n1,2\n",
                &[(1, "the first column `t_rpm` is a speed, expected a duration")],
            ),
            (
                "t_s,speed_rqm\n0,1\n1,2\n",
                &[(1, "in the column `speed_rqm`: `rqm` is not a unit known here")],
            ),
            ("t_s,speed_rpm\n0,1\n", &[(1, "the table has one point, expected at least two")]),
            (
                "t_s,speed_rpm\n0,1\n2,x\n1,2,3\n# no line\n4,nan\n5,1\n5,2\n4.5,1\n",
                &[
                    (3, "`x` is not a finite number"),
                    (4, "found 3 columns, expected 2"),
                    (6, "`nan` is not a finite number"),
                    (8, "the time `5` does not come after `5`, the one before"),
                    (9, "the time `4.5` does not come after `5`, the one before"),
                ],
            ),
            ("t_s;speed_rpm\n0;1\n1;2,5\n", &[(3, "`2,5` is not a finite number")]),
        ];
        for (text, expected) in rows {
            let (table, found) = read(text);
            let expected: Vec<(usize, String)> = expected.iter().map(|(l, m)| (*l, m.to_string())).collect();
            assert_eq!(found, expected, "{text}");
            assert!(table.is_none());
        }
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_a_table_or_says_why_not(text in "[-t_s,;0-9.\\n\"() #é\u{feff}]{0,60}") {
            let (table, found) = read(&text);
            proptest::prop_assert_eq!(table.is_some(), found.is_empty(), "{:?} {:?}", text, found);
        }
    }
}

//! A suite taken apart into one suite for each of its tests, everything else as written.

use toml_edit::{DocumentMut, Item};

/// Why a text cannot be taken apart.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct RungError(pub(super) String);

/// Name of each test of a suite and the suite with that test alone; comments and layout stay.
///
/// Errors if the text is no TOML or has no tests with names.
pub fn rungs(suite: &str) -> Result<Vec<(String, String)>, RungError> {
    let whole: DocumentMut = suite.parse().map_err(|e: toml_edit::TomlError| RungError(e.to_string()))?;
    let tests = whole.get("test").and_then(Item::as_array_of_tables);
    let count = tests.map_or(0, |t| t.len());
    let mut found = Vec::with_capacity(count);
    for rung in 0..count {
        let mut alone = whole.clone();
        let Some(tests) = alone.get_mut("test").and_then(Item::as_array_of_tables_mut) else { break };
        for other in (0..count).rev().filter(|other| *other != rung) {
            tests.remove(other);
        }
        let name = tests.get(0).and_then(|t| t.get("name")).and_then(Item::as_str);
        let Some(name) = name.map(String::from) else {
            return Err(RungError(format!("test {} has no name", rung + 1)));
        };
        found.push((name, alone.to_string()));
    }
    if found.is_empty() { Err(RungError("the suite has no [[test]]".into())) } else { Ok(found) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SUITE: &str = include_str!("../../suites/commissioning.toml");

    #[test]
    fn every_rung_is_the_suite_with_one_test() {
        let rungs = rungs(SUITE).expect("rungs");
        assert_eq!(rungs.len(), SUITE.matches("\n[[test]]\n").count());
        for (name, text) in &rungs {
            assert_eq!(text.matches("\n[[test]]\n").count(), 1, "{name}");
            assert!(text.contains(&format!("name = \"{name}\"")), "{name}");
            let kept = [
                "[trip.wrong_way]",
                "id = \"isolation\"",
                "poll = [\"field\"]",
                "# The first rungs of a unit",
            ];
            assert!(kept.iter().all(|k| text.contains(k)), "{name}:\n{text}");
        }
        let together: usize = rungs.iter().map(|(_, text)| text.matches("[[test.criterion]]").count()).sum();
        assert_eq!(together, SUITE.matches("[[test.criterion]]").count(), "no criterion is lost");
    }

    #[test]
    fn what_has_no_tests_has_no_rungs() {
        assert!(rungs("schema = 1").is_err() && rungs("= 1").is_err() && rungs("[[test]]\nx = 1").is_err());
    }
}

//! The fuzz targets' bodies on a few drawn inputs: the short version of `tests/fuzz`.
#![allow(missing_docs)]

#[path = "fuzz/bodies.rs"]
mod bodies;

use proptest::prelude::*;

fn bytes(most: usize) -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(any::<u8>(), 0..most)
}

/// Text of the alphabet of files, expressions and messages: random bytes seldom get past the first check.
const WORDS: &[&str] = &[
    "speed",
    "demand.speed",
    "bus",
    "winding",
    "rate(",
    "lowpass(",
    "mean(",
    "max(",
    "sqrt(",
    "abs(",
    ")",
    "(",
    "+",
    "-",
    "*",
    "/",
    ",",
    "'155 V'",
    "\"20 ms\"",
    "20 rpm",
    "1e9",
    "{value}",
    "{value:.1}",
    "{offset}",
    "{count}",
    "{",
    "}",
    "{_}",
    "#",
    "#3",
    "012",
    "\n",
    "\r\n",
    ";",
    ":",
    "*",
    "?",
    "MEAS",
    "DRIV?",
    "SOUR:SPE",
    "*IDN?",
    " ",
    "\t",
    "t_s,speed_rpm",
    "0,0",
    "1,120",
    "[",
    "]",
    "[[",
    "]]",
    "=",
    "schema = 1",
    "name",
    "\"",
    "'",
    "°C",
    "µ",
    "\u{feff}",
];

fn words(most: usize) -> impl Strategy<Value = Vec<u8>> {
    let words = prop::sample::select(WORDS);
    prop::collection::vec(words, 0..most).prop_map(|words| words.concat().into_bytes())
}

fn headed(most: usize) -> impl Strategy<Value = Vec<u8>> {
    (any::<u8>(), any::<u8>(), words(most)).prop_map(|(a, b, mut words)| {
        words.splice(0..0, [a, b]);
        words
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, ..ProptestConfig::default() })]

    #[test]
    fn lines(data in prop_oneof![bytes(300), headed(40)]) { bodies::line_reader(&data); }

    #[test]
    fn scpi(data in prop_oneof![bytes(300), words(40)]) { bodies::scpi(&data); }

    #[test]
    fn patterns(data in prop_oneof![bytes(100), headed(12)]) { bodies::patterns(&data); }

    #[test]
    fn expressions(data in prop_oneof![bytes(60), words(14)]) { bodies::expressions(&data); }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, ..ProptestConfig::default() })]

    #[test]
    fn files(data in prop_oneof![bytes(60), headed(30)]) { bodies::files(&data); }

    #[test]
    fn traces(data in bytes(24)) { bodies::trace(&data); }

    #[test]
    fn engine(data in bytes(600)) { bodies::engine(&data); }
}

/// The engine's body gets as far as driving: else it would prove little.
#[test]
fn a_board_that_answers_well_is_driven() {
    assert_eq!(bodies::driven(4 * 200), Ok(()), "the gates are told to be on");
}

use crate::metrics::samples::Bench;

#[test]
fn bursts_that_cannot_be_used_are_refused() {
    let id = "resolver_radius";
    let empty = || Bench::new("V", 0.0, 0.1, 10.0, |_| 0.0).given_name("with", "c");
    empty().refuses(id, "no burst with `x` lies within `span`");
    let good = || empty().burst(1.0, 1000.0, 500, &[("x", "V", &|_| 1.0), ("c", "V", &|_| 0.0)]);
    good().measured(id);
    // A burst that begins within and ends beyond the span is none of it.
    let mut late = good();
    late.span.t1 = 1.3;
    late.refuses(id, "no burst with `x`");
    let mut clipped = good();
    let end = clipped.columns.bursts[0].channels[0].ends.1;
    clipped.columns.bursts[0].channels[0].raw[17] = end;
    clipped.refuses(id, "1 of 500 samples of `x` in the burst at 1.000 s stand at an end");
    let mut torn = good();
    torn.columns.bursts[0].channels[1].raw.pop();
    torn.refuses(id, "of no use: `c` has 499 samples where others have 500");
    let mut other = good();
    other.columns.bursts[0].channels.pop();
    other.refuses(id, "has no channel `c`");
    let mut cut = good();
    cut.span.complete = false;
    cut.refuses(id, "was cut");
}

//! The fewest of many that still fail (delta debugging after Zeller and Hildebrandt, 2002: subsets, then complements,
//! then finer pieces).

/// The fewest of `all` for which `fails` still says yes, in their order: leaving out any single one of them makes it
/// pass. Asks for nothing twice in a row; expects that all of them together fail.
pub fn fewest<T: Clone>(all: &[T], fails: &mut dyn FnMut(&[T]) -> bool) -> Vec<T> {
    if fails(&[]) {
        return Vec::new();
    }
    let mut left = all.to_vec();
    let mut pieces = 2;
    while left.len() >= 2 {
        let size = left.len().div_ceil(pieces);
        let found = without_or_only(&left, size, fails);
        match found {
            Some((smaller, finer)) => {
                left = smaller;
                pieces = finer.min(left.len()).max(2);
            }
            None if size == 1 => break,
            None => pieces = (2 * pieces).min(left.len()),
        }
    }
    left
}

/// A piece of so many that fails alone, or what is left without one; and how many pieces to try next.
fn without_or_only<T: Clone>(
    left: &[T],
    size: usize,
    fails: &mut dyn FnMut(&[T]) -> bool,
) -> Option<(Vec<T>, usize)> {
    if let Some(piece) = left.chunks(size).find(|piece| fails(piece)) {
        return Some((piece.to_vec(), 2));
    }
    for start in (0..left.len()).step_by(size) {
        let end = (start + size).min(left.len());
        let rest = [&left[..start], &left[end..]].concat();
        if rest.len() < left.len() && !rest.is_empty() && fails(&rest) {
            return Some((rest, left.len().div_ceil(size) - 1));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A planted defect that needs all of some culprits at once.
    fn reduced(all: &[u32], culprits: &[u32]) -> Vec<u32> {
        fewest(all, &mut |some| culprits.iter().all(|c| some.contains(c)))
    }

    #[test]
    fn one_two_or_no_culprit_is_found() {
        let all = [3, 1, 4, 15, 9, 2, 6];
        for culprits in
            [vec![], vec![3], vec![6], vec![15], vec![3, 6], vec![1, 4], vec![4, 9, 2], all.to_vec()]
        {
            assert_eq!(reduced(&all, &culprits), culprits);
        }
        assert_eq!(reduced(&[7], &[7]), [7]);
    }

    proptest! {
        /// Whatever the defect needs, nothing else is left; here it may also be satisfied in two ways.
        #[test]
        fn leaving_out_any_one_of_what_is_left_makes_it_pass(
            n in 1usize..12, one in 0u32..4096, other in 0u32..4096,
        ) {
            let all: Vec<u32> = (0..n as u32).collect();
            let mask = |some: &[u32]| some.iter().fold(0u32, |m, i| m | 1 << i);
            let full = mask(&all);
            let (one, other) = (one & full, other & full);
            let mut fails = |some: &[u32]| mask(some) & one == one || mask(some) & other == other;
            let left = fewest(&all, &mut fails);
            prop_assert!(fails(&left));
            for i in 0..left.len() {
                let mut less = left.clone();
                less.remove(i);
                prop_assert!(!fails(&less), "{left:?} of {one:b} or {other:b}");
            }
        }
    }
}

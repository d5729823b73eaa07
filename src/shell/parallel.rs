//! Work of the same sort on all cores: rehearsals do not wait for each other.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

/// Does `work` for 0 to `n` less one on all cores; the results in that order. `done` hears after each how many are.
pub fn in_parallel<T: Send>(
    n: usize,
    work: impl Fn(usize) -> T + Sync,
    done: impl Fn(usize) + Sync,
) -> Vec<T> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(n.max(1));
    let (next, over) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let results: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    if i >= n {
                        return;
                    }
                    let result = work(i);
                    results.lock().unwrap_or_else(PoisonError::into_inner).push((i, result));
                    done(over.fetch_add(1, Ordering::Relaxed) + 1);
                }
            });
        }
    });
    let mut results = results.into_inner().unwrap_or_else(PoisonError::into_inner);
    results.sort_by_key(|(i, _)| *i);
    results.into_iter().map(|(_, result)| result).collect()
}

//! A panic on demand, for the matrix of stops: in builds with debug assertions, and in those alone. It cannot
//! weaken a run: a panic is one more way to a stop.

/// Panics in the calling thread if `SPINPROOF_PLANTED_PANIC` is `THREAD=FILE` with its name and the file is there.
#[cfg(debug_assertions)]
pub(super) fn panic_if_asked(thread: &str) {
    use std::sync::OnceLock;
    static ASKED: OnceLock<Option<(String, std::path::PathBuf)>> = OnceLock::new();
    let asked = ASKED.get_or_init(|| {
        let asked = std::env::var("SPINPROOF_PLANTED_PANIC").ok()?;
        let (thread, file) = asked.split_once('=')?;
        Some((thread.to_string(), file.into()))
    });
    if let Some((_, file)) = asked.as_ref().filter(|(name, file)| name == thread && file.exists()) {
        // Once: a thread that goes on after its panic has shown what it does.
        let _ = std::fs::remove_file(file);
        panic!("planted in the thread `{thread}`");
    }
}

/// Nothing: a release build has no such thing.
#[cfg(not(debug_assertions))]
pub(super) fn panic_if_asked(_: &str) {}

/// As [`panic_if_asked`] for the main thread, which waits for many things at once: looks now and then.
pub(super) async fn panic_in_main_if_asked() {
    #[cfg(debug_assertions)]
    if std::env::var_os("SPINPROOF_PLANTED_PANIC").is_some() {
        loop {
            panic_if_asked("main");
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
    }
    std::future::pending::<()>().await;
}

//! Records and inputs into streams on a disk.

use super::sink::{Hurried, Sink};
use crate::record::{Layout, LoggedInput, Record, What};
use crate::time::{Duration, Instant};
use crate::trace::codec::{Encoder, Entry, streams};
use std::fs::{File, OpenOptions};
use std::io;
use std::path::Path;

/// When a batch is closed.
#[derive(Debug, Clone, Copy)]
struct Batch {
    /// At so many rows.
    rows_max: usize,
    /// When its oldest row is so old.
    age_max: Duration,
}

/// Of a run: little is lost when the process is killed.
const OF_A_RUN: Batch = Batch { rows_max: 100, age_max: Duration::from_millis(250) };
/// Of a rehearsal: a second on its clock passes in a few milliseconds, and small batches cost time.
const OF_A_REHEARSAL: Batch = Batch { rows_max: 1000, age_max: Duration::from_millis(10_000) };

/// Writes the streams of one run.
///
/// A batch is closed at 100 rows, when its oldest row is 250 ms old, and at each stop; it goes to the
/// file in one write call, so that a killed process leaves whole batches. The age is told by the
/// moments in the records and by [`Writer::tick`]: no clock is read.
///
/// The disk is waited for (fsync) at each stop, at each stage of it and at the end, and not between:
/// the batches in between survive a killed process anyway, and a power cut costs only what the system
/// had not written by itself. A stop is the part of a run that will be asked about, and it must not be
/// lost to the breaker that someone throws a second later. Waiting may take a tenth of a second or more, so the writer
/// belongs on a thread that nothing else waits for. For a run that can be made again, [`Writer::hurried`] does not wait.
///
/// # Errors of its methods
/// What the file system says, with the stream's name. What was written before stays readable: a batch that did not
/// fit is taken back whole. The first such error is returned, once, and the caller decides; the writer
/// goes on trying, since room may come back, and counts what it had to drop. A record that
/// does not fit the layout, or whose sequence number is not above the one before it in the same stream, is refused with
/// [`io::ErrorKind::InvalidInput`] every time.
pub struct Writer {
    streams: Vec<Open>,
    /// Index of the first stream of bursts: after those of the polls.
    bursts: usize,
    batch: Batch,
    /// When the oldest row that waits will be old enough; never later than that.
    due: Instant,
    told: bool,
    dropped: u64,
}

/// Indices into `Writer::streams`, in the order of [`streams`].
const INPUTS: usize = 0;
const EVENTS: usize = 1;
const DEMANDS: usize = 2;
const POLLS: usize = 3;

struct Open {
    name: String,
    encoder: Encoder,
    sink: Box<dyn Sink>,
    /// Bytes of whole messages in the sink.
    length: u64,
    /// A torn batch could not be taken back: whatever came after it would be lost too.
    stuck: bool,
}

impl Writer {
    /// Makes the folder `trace` in the run folder `dir`, and in it every stream with its schema.
    ///
    /// # Errors
    /// If a stream is already there (a trace is never written over), or cannot be made.
    pub fn create(dir: &Path, layout: &Layout) -> io::Result<Writer> {
        let writer = Writer::on_disk(dir, layout, |file| Box::new(file))?;
        // The names of new files are in the folder, which has to be on the disk as well.
        std::fs::File::open(dir.join("trace"))?.sync_all()?;
        Ok(writer)
    }

    /// As [`Writer::create`], but never waits for the disk and closes batches at 1000 rows or 10 s: for rehearsals,
    /// which a seed makes again.
    ///
    /// # Errors
    /// As [`Writer::create`].
    pub fn hurried(dir: &Path, layout: &Layout) -> io::Result<Writer> {
        let writer = Writer::on_disk(dir, layout, |file| Box::new(Hurried(file)))?;
        Ok(Writer { batch: OF_A_REHEARSAL, ..writer })
    }

    fn on_disk(dir: &Path, layout: &Layout, sink: fn(File) -> Box<dyn Sink>) -> io::Result<Writer> {
        let folder = dir.join("trace");
        std::fs::create_dir_all(&folder).map_err(|e| named(e, &folder.display().to_string()))?;
        Writer::with_sinks(layout, |name| {
            let file = OpenOptions::new().write(true).create_new(true).open(folder.join(name))?;
            Ok(sink(file))
        })
    }

    pub(super) fn with_sinks(
        layout: &Layout,
        mut sink: impl FnMut(&str) -> io::Result<Box<dyn Sink>>,
    ) -> io::Result<Writer> {
        let mut open = Vec::new();
        for (stream, name) in streams(layout) {
            let mut encoder = Encoder::new(stream, layout).map_err(io::Error::other)?;
            let head = encoder.bytes();
            let mut sink = sink(&name).map_err(|e| named(e, &name))?;
            sink.append(&head).and_then(|()| sink.sync()).map_err(|e| named(e, &name))?;
            open.push(Open { name, encoder, sink, length: head.len() as u64, stuck: false });
        }
        Ok(Writer {
            streams: open,
            bursts: POLLS + layout.groups.len(),
            batch: OF_A_RUN,
            due: Instant::NEVER,
            told: false,
            dropped: 0,
        })
    }

    /// Takes an input. Its sequence number is one of those of [`Writer::record`].
    ///
    /// # Errors
    /// See [`Writer`].
    pub fn input(&mut self, input: &LoggedInput) -> io::Result<()> {
        self.push(INPUTS, input.seq, Entry::Input(input))
    }

    /// Takes a record. Records and inputs share one sequence of numbers, counted up by one, so that
    /// their order can be told again and a loss be noticed.
    ///
    /// # Errors
    /// See [`Writer`].
    pub fn record(&mut self, seq: u64, record: &Record) -> io::Result<()> {
        match record {
            Record::Row(row) => {
                within("poll group", row.group, self.bursts - POLLS)?;
                self.push(POLLS + row.group, seq, Entry::Row(row))
            }
            Record::Sent(sent) => self.push(DEMANDS, seq, Entry::Sent(sent)),
            Record::Chunk(chunk) => {
                within("burst", chunk.burst, self.streams.len() - self.bursts)?;
                self.push(self.bursts + chunk.burst, seq, Entry::Chunk(chunk))
            }
            Record::Event(event) => {
                let told = self.push(EVENTS, seq, Entry::Event(event));
                if !is_stop(&event.what) {
                    return told;
                }
                let closed = self.each(Open::close);
                let synced = self.each(Open::sync);
                told.and(closed).and(synced)
            }
        }
    }

    /// Closes batches by age; call it now and then when no records come.
    ///
    /// # Errors
    /// See [`Writer`].
    pub fn tick(&mut self, now: Instant) -> io::Result<()> {
        if now < self.due {
            return Ok(());
        }
        let age_max = self.batch.age_max;
        let old = |since: Instant| now - since >= age_max;
        let closed =
            self.each(|open| if open.encoder.since().is_some_and(old) { open.close() } else { Ok(()) });
        let oldest = self.streams.iter().filter_map(|open| open.encoder.since()).min();
        self.due = oldest.map_or(Instant::NEVER, |since| since + age_max);
        closed
    }

    /// How many records and inputs were dropped since they could not be written.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Closes every batch, writes the end marks and waits for the disk.
    ///
    /// # Errors
    /// If the streams could not be closed, or if anything was dropped before, even where that was
    /// told already: an `Ok` means that the trace on the disk is whole.
    pub fn finish(mut self) -> io::Result<()> {
        self.told = false;
        let ended = self.each(Open::end);
        let lost = match self.dropped {
            0 => return ended,
            n => format!("{n} records of this run could not be written and are lost"),
        };
        Err(match ended {
            Ok(()) => io::Error::other(lost),
            Err(e) => io::Error::new(e.kind(), format!("{lost}; {e}")),
        })
    }

    fn push(&mut self, stream: usize, seq: u64, entry: Entry<'_>) -> io::Result<()> {
        let open = &mut self.streams[stream];
        open.encoder.push(seq, entry).map_err(|what| unfit(format!("{}: {what}", open.name)))?;
        if let Some(since) = open.encoder.since() {
            self.due = self.due.min(since + self.batch.age_max);
        }
        let full = open.encoder.pending() >= self.batch.rows_max;
        let closed = if full { self.each_of(stream..stream + 1, Open::close) } else { Ok(()) };
        closed.and(self.tick(entry.at()))
    }

    fn each(&mut self, act: impl FnMut(&mut Open) -> Result<(), Failure>) -> io::Result<()> {
        self.each_of(0..self.streams.len(), act)
    }

    /// Acts on streams one after the other, whatever happens to those before.
    fn each_of(
        &mut self,
        which: std::ops::Range<usize>,
        mut act: impl FnMut(&mut Open) -> Result<(), Failure>,
    ) -> io::Result<()> {
        let mut first = Ok(());
        for open in &mut self.streams[which] {
            if let Err(failure) = act(open) {
                self.dropped += failure.dropped;
                if !self.told {
                    self.told = true;
                    first = Err(named(failure.error, &open.name));
                }
            }
        }
        first
    }
}

fn unfit(what: String) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}

/// Whether the layout has something of that index.
fn within(what: &str, index: usize, count: usize) -> io::Result<()> {
    if index < count { Ok(()) } else { Err(unfit(format!("{what} {index} where the layout has {count}"))) }
}

/// A write that failed, and how many rows went with it.
struct Failure {
    error: io::Error,
    dropped: u64,
}

impl Open {
    fn close(&mut self) -> Result<(), Failure> {
        let rows = self.encoder.pending() as u64;
        let made = self.encoder.close();
        self.put(made.map_err(io::Error::other)).map_err(|error| Failure { error, dropped: rows })
    }

    fn end(&mut self) -> Result<(), Failure> {
        // The rows first: the few bytes of the end mark may find room where they do not.
        let closed = self.close();
        let made = self.encoder.end();
        let ended = self.put(made.map_err(io::Error::other)).map_err(|error| Failure { error, dropped: 0 });
        let synced = self.sync();
        closed.and(ended).and(synced)
    }

    fn sync(&mut self) -> Result<(), Failure> {
        self.sink.sync().map_err(|error| Failure { error, dropped: 0 })
    }

    /// Appends what the encoder made, or leaves the sink as it was.
    fn put(&mut self, made: io::Result<()>) -> io::Result<()> {
        let bytes = self.encoder.bytes();
        made?;
        if bytes.is_empty() {
            return Ok(());
        }
        if self.stuck {
            return Err(io::Error::other("an earlier batch stands there torn"));
        }
        match self.sink.append(&bytes) {
            Ok(()) => self.length += bytes.len() as u64,
            Err(error) => {
                self.stuck = self.sink.cut_back(self.length).is_err();
                return Err(error);
            }
        }
        Ok(())
    }
}

/// Whether everything so far must be on the disk before anything else happens to the bench.
fn is_stop(what: &What) -> bool {
    matches!(what, What::StopBegan { .. } | What::Stage { .. } | What::Finished { .. })
}

fn named(error: io::Error, name: &str) -> io::Error {
    io::Error::new(error.kind(), format!("cannot record to {name}: {error}"))
}

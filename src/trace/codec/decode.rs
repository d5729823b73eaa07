//! The streams of a trace back to records in the order in which they were recorded.

use super::batch::{self, Item};
use super::frames::{Frame, Scan, scan};
use super::schema::{LAYOUT_KEY, Stream, VERSION, VERSION_KEY, schema, streams};
use crate::record::{Layout, LoggedInput, Record};
use arrow_buffer::Buffer;
use arrow_ipc::MessageHeader;
use arrow_schema::{Schema, SchemaRef};
use std::fmt;
use std::ops::Range;
use std::panic::catch_unwind;

/// Everything recorded in one run, as far as it can be read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trace {
    /// What the indices stand for; empty if no stream says it.
    pub layout: Layout,
    /// What the engine wanted kept, with its sequence number, ascending.
    pub records: Vec<(u64, Record)>,
    /// What the engine was given, ascending by sequence number.
    pub inputs: Vec<LoggedInput>,
    /// What could not be read; empty if the trace is whole and was closed.
    pub cut: Vec<Cut>,
}

impl Trace {
    /// Sequence numbers that are in no stream, between 0 and the last that is in one. The recorder
    /// counts up by one for each record and input, so these were recorded and are lost: to a cut that
    /// struck streams at different ages, to damage, or to a disk that was full for a while.
    pub fn gaps(&self) -> Vec<Range<u64>> {
        let mut all: Vec<u64> = self.records.iter().map(|(seq, _)| *seq).collect();
        all.extend(self.inputs.iter().map(|input| input.seq));
        all.sort_unstable();
        let mut gaps = Vec::new();
        let mut next = 0;
        for seq in all {
            if seq > next {
                gaps.push(next..seq);
            }
            next = seq.saturating_add(1);
        }
        gaps
    }
}

/// Something of a stream that could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cut {
    /// The stream, as a path in the run folder: "trace/events.arrows".
    pub stream: String,
    /// First byte of what was passed over, or the length of the stream.
    pub at: u64,
    /// How many bytes were passed over. Good rows of a damaged batch are still read.
    pub bytes: u64,
    /// What is wrong.
    pub why: CutKind,
}

/// What is wrong with a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CutKind {
    /// It ends with a whole batch and has no end mark: the recorder was cut off between two batches.
    NoEnd,
    /// It ends within a batch: the recorder was cut off while it wrote.
    Torn,
    /// It ends in zeros: the machine stopped before the disk had what it was told to write.
    Zeros,
    /// Bytes were changed after they were written, or never reached the disk; in words.
    Damaged(String),
    /// The file is not there.
    Missing,
}

impl fmt::Display for Cut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Cut { stream, at, bytes, why } = self;
        match why {
            CutKind::NoEnd => write!(f, "{stream} was not closed; every batch in it is whole"),
            CutKind::Torn => {
                write!(f, "{stream} breaks off within a batch; its last {bytes} bytes were passed over")
            }
            CutKind::Zeros => write!(f, "{stream} ends in {bytes} zero bytes, which were passed over"),
            CutKind::Damaged(what) => {
                write!(f, "{stream} is damaged in the {bytes} bytes from byte {at}: {what}")
            }
            CutKind::Missing => write!(f, "{stream} is not there"),
        }
    }
}

/// A stream that this program is too old to read: its name and the version it has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Newer {
    pub(crate) stream: String,
    pub(crate) found: String,
}

/// Puts the streams together again. `files` are file names and contents.
///
/// # Errors
/// If a stream has a newer schema. Anything else that is wrong is in [`Trace::cut`].
pub(crate) fn decode(files: Vec<(String, Vec<u8>)>) -> Result<Trace, Newer> {
    let mut files: Vec<File> = files
        .into_iter()
        .map(|(name, bytes)| {
            let scan = scan(&bytes);
            let head = head(&bytes, &scan);
            File { name, bytes: Buffer::from(bytes), scan, head }
        })
        .collect();
    for file in &files {
        let version = file.head.as_ref().and_then(|head| head.metadata().get(VERSION_KEY));
        if let Some(found) = version.filter(|found| is_newer(found)) {
            return Err(Newer { stream: file.name.clone(), found: found.to_string() });
        }
    }
    let mut trace = Trace::default();
    let Some(layout) = agreed_layout(&files) else {
        for file in &files {
            let what = "it does not say what its columns are, nor does another stream";
            trace.cut.push(file.cut(0..file.bytes.len(), Some(what.into())));
        }
        return Ok(trace);
    };
    for (stream, name) in streams(&layout) {
        match files.iter_mut().find(|file| file.name == name) {
            Some(file) => file.decode(stream, &layout, &mut trace),
            None => trace.cut.push(Cut { stream: path(&name), at: 0, bytes: 0, why: CutKind::Missing }),
        }
    }
    trace.records.sort_by_key(|(seq, _)| *seq);
    trace.layout = layout;
    Ok(trace)
}

fn is_newer(version: &str) -> bool {
    let number = |text: &str| text.parse::<u64>().ok();
    number(version) > number(VERSION)
}

fn path(name: &str) -> String {
    format!("trace/{name}")
}

struct File {
    name: String,
    bytes: Buffer,
    scan: Scan,
    head: Option<Schema>,
}

/// The schema that a stream says it has.
fn head(bytes: &[u8], scan: &Scan) -> Option<Schema> {
    let head = bytes.get(scan.frames.first()?.head.clone())?;
    // Arrow's reader of schemas is written for files that are whole; see `batch`.
    catch_unwind(|| {
        let message = arrow_ipc::root_as_message(head).ok()?;
        arrow_ipc::convert::try_fb_to_schema(message.header_as_schema()?).ok()
    })
    .ok()
    .flatten()
}

/// The layout that most streams agree on. Each stream carries it, so that one damaged head neither
/// loses its stream nor misleads about the others.
fn agreed_layout(files: &[File]) -> Option<Layout> {
    let mut votes: Vec<(Layout, usize)> = Vec::new();
    for file in files {
        let Some(head) = &file.head else { continue };
        let Some(text) = head.metadata().get(LAYOUT_KEY) else { continue };
        let Ok(layout) = serde_json::from_str::<Layout>(text) else { continue };
        let stream = streams(&layout).into_iter().find(|(_, name)| *name == file.name);
        if stream.is_none_or(|(stream, _)| *schema(stream, &layout) != *head) {
            continue;
        }
        match votes.iter_mut().find(|(l, _)| *l == layout) {
            Some((_, count)) => *count += 1,
            None => votes.push((layout, 1)),
        }
    }
    votes.into_iter().max_by_key(|(_, count)| *count).map(|(layout, _)| layout)
}

impl File {
    fn decode(&mut self, stream: Stream, layout: &Layout, trace: &mut Trace) {
        let schema = schema(stream, layout);
        let mut cuts: Vec<Cut> = self.scan.strays.iter().map(|stray| self.cut(stray.clone(), None)).collect();
        let mut last = None;
        for (index, frame) in self.scan.frames.iter().enumerate() {
            let wrong = if index == 0 && self.is_schema(frame) {
                let same = self.head.as_ref() == Some(&*schema);
                (!same).then(|| {
                    "its columns or its run are not those that the other streams agree on".to_string()
                })
            } else {
                self.batch(frame, stream, layout, &schema, &mut last, trace)
            };
            cuts.extend(wrong.map(|wrong| self.cut(frame.whole.clone(), Some(wrong))));
        }
        let length = self.bytes.len();
        if !self.scan.ended && self.scan.strays.last().is_none_or(|stray| stray.end != length) {
            cuts.push(self.cut(length..length, None));
        }
        cuts.sort_by_key(|cut| cut.at);
        trace.cut.extend(cuts);
    }

    fn is_schema(&self, frame: &Frame) -> bool {
        arrow_ipc::root_as_message(&self.bytes[frame.head.clone()])
            .is_ok_and(|message| message.header_type() == MessageHeader::Schema)
    }

    /// Takes the good rows of a batch; says what is wrong with the others.
    fn batch(
        &self,
        frame: &Frame,
        stream: Stream,
        layout: &Layout,
        schema: &SchemaRef,
        last: &mut Option<u64>,
        trace: &mut Trace,
    ) -> Option<String> {
        let body = self.bytes.slice_with_length(frame.body.start, frame.body.len());
        let batch = match batch::batch(&self.bytes[frame.head.clone()], &body, schema) {
            Ok(batch) => batch,
            Err(wrong) => return Some(wrong),
        };
        let rows = batch::rows(stream, layout, &batch, last);
        let (total, mut bad, mut first) = (rows.len(), 0, None);
        for row in rows {
            match row {
                Ok((seq, Item::Record(record))) => trace.records.push((seq, record)),
                Ok((_, Item::Input(input))) => trace.inputs.push(input),
                Err(wrong) => {
                    bad += 1;
                    first.get_or_insert(wrong);
                }
            }
        }
        first.map(|first| format!("{bad} of {total} rows were left out: {first}"))
    }

    /// Names a stretch that was passed over, with what is wrong if that is known already.
    fn cut(&self, range: Range<usize>, wrong: Option<String>) -> Cut {
        let stretch = &self.bytes[range.clone()];
        let at_end = range.end == self.bytes.len();
        let why = match wrong {
            _ if at_end && range.is_empty() => CutKind::NoEnd,
            _ if at_end && stretch.iter().all(|b| *b == 0) => CutKind::Zeros,
            Some(wrong) => CutKind::Damaged(wrong),
            None if at_end => CutKind::Torn,
            None => CutKind::Damaged("no message stands there".into()),
        };
        Cut { stream: path(&self.name), at: range.start as u64, bytes: range.len() as u64, why }
    }
}

//! Rows in, bytes of one Arrow stream out.

use super::check;
use super::schema::{Stream, schema};
use crate::record::{Chunk, Event, Layout, LoggedInput, Row, Sent};
use crate::time::Instant;
use arrow_array::builder::{BinaryBuilder, Float64Builder, Int16Builder, ListBuilder, StringBuilder};
use arrow_array::{
    ArrayRef, Float64Array, Int64Array, RecordBatch, UInt8Array, UInt16Array, UInt32Array, UInt64Array,
};
use arrow_ipc::MetadataVersion;
use arrow_ipc::writer::{IpcWriteOptions, StreamWriter};
use arrow_schema::{ArrowError, DataType, Field, SchemaRef};
use std::mem::take;
use std::sync::Arc;

/// What a stream takes.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Entry<'a> {
    /// A poll.
    Row(&'a Row),
    /// A demand frame.
    Sent(&'a Sent),
    /// An event.
    Event(&'a Event),
    /// An input of the engine.
    Input(&'a LoggedInput),
    /// A piece of a burst.
    Chunk(&'a Chunk),
}

impl Entry<'_> {
    /// The moment at which it was known.
    pub(crate) fn at(&self) -> Instant {
        match self {
            Entry::Row(row) => row.t_reply,
            Entry::Sent(sent) => sent.at,
            Entry::Event(event) => event.at,
            Entry::Input(input) => input.at,
            Entry::Chunk(chunk) => chunk.at,
        }
    }
}

/// Encodes one stream. Bytes come out in whole messages: first the schema, then batches, then the
/// end mark; each piece appended to a file leaves it readable.
pub(crate) struct Encoder {
    schema: SchemaRef,
    writer: StreamWriter<Vec<u8>>,
    rows: Rows,
    since: Option<Instant>,
    pending: usize,
    last: Option<u64>,
}

impl Encoder {
    /// An encoder for one stream.
    pub(crate) fn new(stream: Stream, layout: &Layout) -> Result<Encoder, ArrowError> {
        let schema = schema(stream, layout);
        // Batches are small: padding every buffer to 64 bytes would be a third of a sparse stream.
        let options = IpcWriteOptions::try_new(8, false, MetadataVersion::V5)?;
        let writer = StreamWriter::try_new_with_options(Vec::new(), &schema, options)?;
        let rows = match stream {
            Stream::Poll(group) => Rows::Poll(PollRows::new(group, layout.groups[group].fields.len())),
            Stream::Demands => {
                let names = layout.demands.iter().map(|d| d.name.clone()).collect();
                Rows::Demands(DemandRows { names, ..DemandRows::default() })
            }
            Stream::Events => Rows::Events(EventRows::default()),
            Stream::Inputs => Rows::Inputs(InputRows::default()),
            Stream::Burst(burst) => Rows::Burst(BurstRows::new(burst, layout.bursts[burst].channels.len())),
        };
        Ok(Encoder { schema, writer, rows, since: None, pending: 0, last: None })
    }

    /// The bytes made since the last call.
    pub(crate) fn bytes(&mut self) -> Vec<u8> {
        take(self.writer.get_mut())
    }

    /// How many rows wait for their batch to be closed.
    pub(crate) fn pending(&self) -> usize {
        self.pending
    }

    /// The moment of the oldest row that waits.
    pub(crate) fn since(&self) -> Option<Instant> {
        self.since
    }

    /// Adds a row.
    ///
    /// # Errors
    /// A phrase if it does not fit the stream: an index that the layout has not, another number of
    /// values, a sequence number that is not above the one before. The row is not taken then.
    pub(crate) fn push(&mut self, seq: u64, entry: Entry<'_>) -> Result<(), String> {
        if let Some(last) = self.last.filter(|last| *last >= seq) {
            return Err(format!("sequence number {seq} after {last}; they must ascend"));
        }
        match (&mut self.rows, entry) {
            (Rows::Poll(rows), Entry::Row(row)) => rows.push(seq, row)?,
            (Rows::Demands(rows), Entry::Sent(sent)) => rows.push(seq, sent)?,
            (Rows::Events(rows), Entry::Event(event)) => rows.push(seq, event)?,
            (Rows::Inputs(rows), Entry::Input(input)) => rows.push(input),
            (Rows::Burst(rows), Entry::Chunk(chunk)) => rows.push(seq, chunk)?,
            _ => return Err("a record in the stream of another sort of record".into()),
        }
        self.last = Some(seq);
        self.pending += 1;
        self.since.get_or_insert(entry.at());
        Ok(())
    }

    /// Makes a batch of the waiting rows; nothing if none wait.
    pub(crate) fn close(&mut self) -> Result<(), ArrowError> {
        if self.pending == 0 {
            return Ok(());
        }
        self.pending = 0;
        self.since = None;
        let columns = match &mut self.rows {
            Rows::Poll(rows) => rows.take(),
            Rows::Demands(rows) => rows.take(),
            Rows::Events(rows) => rows.take(),
            Rows::Inputs(rows) => rows.take(),
            Rows::Burst(rows) => rows.take(),
        };
        self.writer.write(&RecordBatch::try_new(self.schema.clone(), columns)?)
    }

    /// Makes a batch of the waiting rows, then the end mark. Nothing may be added after it.
    pub(crate) fn end(&mut self) -> Result<(), ArrowError> {
        self.close()?;
        self.writer.finish()
    }
}

enum Rows {
    Poll(PollRows),
    Demands(DemandRows),
    Events(EventRows),
    Inputs(InputRows),
    Burst(BurstRows),
}

struct PollRows {
    group: usize,
    seq: Vec<u64>,
    t_request: Vec<i64>,
    t_reply: Vec<i64>,
    t_sample: Vec<i64>,
    u_sample: Vec<f64>,
    status: Vec<u8>,
    values: Vec<Float64Builder>,
    check: Vec<u32>,
}

impl PollRows {
    fn new(group: usize, fields: usize) -> PollRows {
        PollRows {
            group,
            seq: Vec::new(),
            t_request: Vec::new(),
            t_reply: Vec::new(),
            t_sample: Vec::new(),
            u_sample: Vec::new(),
            status: Vec::new(),
            values: (0..fields).map(|_| Float64Builder::new()).collect(),
            check: Vec::new(),
        }
    }

    fn push(&mut self, seq: u64, row: &Row) -> Result<(), String> {
        if row.group != self.group {
            return Err(format!("a row of group {} in the stream of group {}", row.group, self.group));
        }
        if row.values.len() != self.values.len() {
            let (found, expected) = (row.values.len(), self.values.len());
            return Err(format!("a row of {found} values in a group of {expected} fields"));
        }
        self.seq.push(seq);
        self.t_request.push(row.t_request.micros());
        self.t_reply.push(row.t_reply.micros());
        self.t_sample.push(row.t_sample.micros());
        self.u_sample.push(row.u_sample);
        self.status.push(row.status.code());
        for (column, value) in self.values.iter_mut().zip(&row.values) {
            column.append_option(*value);
        }
        self.check.push(check::poll(seq, row));
        Ok(())
    }

    fn take(&mut self) -> Vec<ArrayRef> {
        let mut columns: Vec<ArrayRef> = vec![
            Arc::new(UInt64Array::from(take(&mut self.seq))),
            Arc::new(Int64Array::from(take(&mut self.t_request))),
            Arc::new(Int64Array::from(take(&mut self.t_reply))),
            Arc::new(Int64Array::from(take(&mut self.t_sample))),
            Arc::new(Float64Array::from(take(&mut self.u_sample))),
            Arc::new(UInt8Array::from(take(&mut self.status))),
        ];
        columns.extend(self.values.iter_mut().map(|column| Arc::new(column.finish()) as ArrayRef));
        columns.push(Arc::new(UInt32Array::from(take(&mut self.check))));
        columns
    }
}

#[derive(Default)]
struct DemandRows {
    names: Vec<String>,
    seq: Vec<u64>,
    t: Vec<i64>,
    demand: Vec<u32>,
    name: StringBuilder,
    value: Vec<f64>,
    check: Vec<u32>,
}

impl DemandRows {
    fn push(&mut self, seq: u64, sent: &Sent) -> Result<(), String> {
        let Some(name) = self.names.get(sent.demand) else {
            return Err(format!("demand {} where the layout has {}", sent.demand, self.names.len()));
        };
        self.seq.push(seq);
        self.t.push(sent.at.micros());
        self.demand.push(sent.demand as u32);
        self.name.append_value(name);
        self.value.push(sent.value);
        self.check.push(check::demand(seq, sent, name));
        Ok(())
    }

    fn take(&mut self) -> Vec<ArrayRef> {
        vec![
            Arc::new(UInt64Array::from(take(&mut self.seq))),
            Arc::new(Int64Array::from(take(&mut self.t))),
            Arc::new(UInt32Array::from(take(&mut self.demand))),
            Arc::new(self.name.finish()),
            Arc::new(Float64Array::from(take(&mut self.value))),
            Arc::new(UInt32Array::from(take(&mut self.check))),
        ]
    }
}

#[derive(Default)]
struct EventRows {
    seq: Vec<u64>,
    t: Vec<i64>,
    kind: StringBuilder,
    json: StringBuilder,
    check: Vec<u32>,
}

impl EventRows {
    fn push(&mut self, seq: u64, event: &Event) -> Result<(), String> {
        let json = serde_json::to_value(event).map_err(|e| format!("an event that JSON cannot hold: {e}"))?;
        let kind = json["event"].as_str().ok_or("an event that does not say its kind")?;
        let text = json.to_string();
        self.seq.push(seq);
        self.t.push(event.at.micros());
        self.kind.append_value(kind);
        self.json.append_value(&text);
        self.check.push(check::event(seq, event.at.micros(), kind, &text));
        Ok(())
    }

    fn take(&mut self) -> Vec<ArrayRef> {
        vec![
            Arc::new(UInt64Array::from(take(&mut self.seq))),
            Arc::new(Int64Array::from(take(&mut self.t))),
            Arc::new(self.kind.finish()),
            Arc::new(self.json.finish()),
            Arc::new(UInt32Array::from(take(&mut self.check))),
        ]
    }
}

#[derive(Default)]
struct InputRows {
    seq: Vec<u64>,
    t: Vec<i64>,
    kind: Vec<u8>,
    link: Vec<u16>,
    payload: BinaryBuilder,
    outputs: Vec<u64>,
    check: Vec<u32>,
}

impl InputRows {
    fn push(&mut self, input: &LoggedInput) {
        self.seq.push(input.seq);
        self.t.push(input.at.micros());
        self.kind.push(input.kind);
        self.link.push(input.link);
        self.payload.append_value(&input.payload);
        self.outputs.push(input.outputs);
        self.check.push(check::input(input));
    }

    fn take(&mut self) -> Vec<ArrayRef> {
        vec![
            Arc::new(UInt64Array::from(take(&mut self.seq))),
            Arc::new(Int64Array::from(take(&mut self.t))),
            Arc::new(UInt8Array::from(take(&mut self.kind))),
            Arc::new(UInt16Array::from(take(&mut self.link))),
            Arc::new(self.payload.finish()),
            Arc::new(UInt64Array::from(take(&mut self.outputs))),
            Arc::new(UInt32Array::from(take(&mut self.check))),
        ]
    }
}

struct BurstRows {
    burst: usize,
    channels: usize,
    seq: Vec<u64>,
    t_reply: Vec<i64>,
    number: Vec<u32>,
    channel: Vec<u32>,
    offset: Vec<u32>,
    counts: ListBuilder<Int16Builder>,
    check: Vec<u32>,
}

impl BurstRows {
    fn new(burst: usize, channels: usize) -> BurstRows {
        BurstRows {
            burst,
            channels,
            seq: Vec::new(),
            t_reply: Vec::new(),
            number: Vec::new(),
            channel: Vec::new(),
            offset: Vec::new(),
            counts: counts(),
            check: Vec::new(),
        }
    }

    fn push(&mut self, seq: u64, chunk: &Chunk) -> Result<(), String> {
        if chunk.burst != self.burst || chunk.channel >= self.channels {
            return Err(format!(
                "channel {} of burst {} in the stream of burst {} of {} channels",
                chunk.channel, chunk.burst, self.burst, self.channels
            ));
        }
        self.seq.push(seq);
        self.t_reply.push(chunk.at.micros());
        self.number.push(chunk.number);
        self.channel.push(chunk.channel as u32);
        self.offset.push(chunk.offset);
        self.counts.values().append_slice(&chunk.counts);
        self.counts.append(true);
        self.check.push(check::chunk(seq, chunk));
        Ok(())
    }

    fn take(&mut self) -> Vec<ArrayRef> {
        let counts = std::mem::replace(&mut self.counts, counts()).finish();
        vec![
            Arc::new(UInt64Array::from(take(&mut self.seq))),
            Arc::new(Int64Array::from(take(&mut self.t_reply))),
            Arc::new(UInt32Array::from(take(&mut self.number))),
            Arc::new(UInt32Array::from(take(&mut self.channel))),
            Arc::new(UInt32Array::from(take(&mut self.offset))),
            Arc::new(counts),
            Arc::new(UInt32Array::from(take(&mut self.check))),
        ]
    }
}

fn counts() -> ListBuilder<Int16Builder> {
    ListBuilder::new(Int16Builder::new()).with_field(Field::new("item", DataType::Int16, false))
}

//! One batch back to records, distrusting every number in it.

use super::check;
use super::schema::{POLL_FIXED, Stream};
use crate::record::{Chunk, Event, Layout, LoggedInput, Record, Row, RowStatus, Sent};
use crate::time::Instant;
use arrow_array::{
    Array, BinaryArray, Float64Array, Int16Array, Int64Array, ListArray, RecordBatch, StringArray,
    UInt8Array, UInt16Array, UInt32Array, UInt64Array,
};
use arrow_buffer::Buffer;
use arrow_schema::{DataType, Schema, SchemaRef};
use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// A record or an input.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Item {
    /// What the engine wanted kept.
    Record(Record),
    /// What the engine was given.
    Input(LoggedInput),
}

/// Decodes a batch of that schema.
///
/// # Errors
/// A phrase that says what is wrong with it.
pub(super) fn batch(message: &[u8], body: &Buffer, schema: &SchemaRef) -> Result<RecordBatch, String> {
    // Arrow's reader is written for files that are whole. What it takes for granted is looked at
    // first; should it panic all the same, the batch is lost and not the run.
    let decoded = catch_unwind(AssertUnwindSafe(|| {
        let message = arrow_ipc::root_as_message(message).map_err(|e| e.to_string())?;
        let batch = message.header_as_record_batch().ok_or("a message that is no batch")?;
        sound(&batch, body.len(), schema)?;
        let version = message.version();
        arrow_ipc::reader::read_record_batch(body, batch, schema.clone(), &HashMap::new(), None, &version)
            .map_err(|e| e.to_string())
    }));
    decoded.unwrap_or_else(|_| Err("a batch that Arrow's reader cannot bear".into()))
}

/// Whether the batch speaks only of bytes that it has.
fn sound(batch: &arrow_ipc::RecordBatch<'_>, body: usize, schema: &Schema) -> Result<(), String> {
    let inside = |at: i64, length: i64| {
        let end = at.checked_add(length);
        at >= 0 && length >= 0 && end.and_then(|e| usize::try_from(e).ok()).is_some_and(|e| e <= body)
    };
    // Every row has a sequence number of eight bytes.
    if !inside(0, batch.length().saturating_mul(8)) {
        return Err(format!("{} rows said to be in {body} bytes", batch.length()));
    }
    if batch.compression().is_some() || batch.variadicBufferCounts().is_some() {
        return Err("a batch packed in a way that is never written here".into());
    }
    let nodes = batch.nodes().ok_or("a batch without columns")?;
    let buffers = batch.buffers().ok_or("a batch without buffers")?;
    let widths: Vec<i64> = schema.fields().iter().flat_map(|f| widths(f.data_type())).copied().collect();
    // A column of lists has a node for its items after its own; those are as many as the body has room for.
    let whole: Vec<bool> = schema.fields().iter().flat_map(|f| nodes_of(f.data_type())).copied().collect();
    if nodes.len() != whole.len() || buffers.len() != widths.len() {
        return Err(format!("{} columns in {} buffers", nodes.len(), buffers.len()));
    }
    let fits = |(n, whole): (&arrow_ipc::FieldNode, &bool)| {
        let length =
            if *whole { n.length() == batch.length() } else { inside(0, n.length().saturating_mul(2)) };
        length && (0..=n.length()).contains(&n.null_count())
    };
    if !nodes.iter().zip(&whole).all(fits) {
        return Err("columns of unequal length".into());
    }
    if !buffers.iter().all(|b| inside(b.offset(), b.length())) {
        return Err("a column outside the batch".into());
    }
    if buffers.iter().zip(widths).any(|(b, width)| b.length() % width != 0) {
        return Err("a column that ends within a value".into());
    }
    Ok(())
}

/// For each node of a column, whether it is as long as the batch.
fn nodes_of(data_type: &DataType) -> &'static [bool] {
    if matches!(data_type, DataType::List(_)) { &[true, false] } else { &[true] }
}

/// Bytes per element of each buffer of a column: which values are null, offsets of texts, the values.
fn widths(data_type: &DataType) -> &'static [i64] {
    match data_type {
        DataType::Utf8 | DataType::Binary => &[1, 4, 1],
        DataType::List(_) => &[1, 4, 1, 2],
        DataType::UInt8 => &[1, 1],
        DataType::UInt16 => &[1, 2],
        DataType::UInt32 => &[1, 4],
        _ => &[1, 8],
    }
}

/// The rows of a decoded batch, each on its own: one that fails its check does not take the others
/// with it. `last` is the sequence number before, and becomes that of the last good row.
pub(super) fn rows(
    stream: Stream,
    layout: &Layout,
    batch: &RecordBatch,
    last: &mut Option<u64>,
) -> Vec<Result<(u64, Item), String>> {
    let mut row = |index: usize| {
        let (seq, item) = match stream {
            Stream::Poll(group) => poll(group, layout, batch, index),
            Stream::Demands => demand(layout, batch, index),
            Stream::Events => event(batch, index),
            Stream::Inputs => input(batch, index),
            Stream::Burst(burst) => chunk(burst, layout, batch, index),
        }?;
        if last.is_some_and(|last| last >= seq) {
            return Err(format!("sequence number {seq} is not above the one before"));
        }
        *last = Some(seq);
        Ok((seq, item))
    };
    (0..batch.num_rows()).map(&mut row).collect()
}

fn column<A: Array + 'static>(batch: &RecordBatch, index: usize) -> Result<&A, String> {
    let column = batch.columns().get(index).and_then(|c| c.as_any().downcast_ref());
    column.ok_or_else(|| format!("column {index} is of another type"))
}

/// Compares the check of the row with the value in the last column.
fn checked(batch: &RecordBatch, index: usize, check: u32) -> Result<(), String> {
    let found = column::<UInt32Array>(batch, batch.num_columns() - 1)?.value(index);
    if found == check { Ok(()) } else { Err("the check of a row fails".into()) }
}

fn seq(batch: &RecordBatch, index: usize) -> Result<u64, String> {
    Ok(column::<UInt64Array>(batch, 0)?.value(index))
}

fn moment(batch: &RecordBatch, at: usize, index: usize) -> Result<Instant, String> {
    Ok(Instant::from_micros(column::<Int64Array>(batch, at)?.value(index)))
}

fn poll(group: usize, layout: &Layout, batch: &RecordBatch, index: usize) -> Result<(u64, Item), String> {
    let code = column::<UInt8Array>(batch, 5)?.value(index);
    let fields = layout.groups[group].fields.len();
    let value = |field| {
        let column = column::<Float64Array>(batch, POLL_FIXED + field)?;
        Ok(column.is_valid(index).then(|| column.value(index)))
    };
    let row = Row {
        group,
        t_request: moment(batch, 1, index)?,
        t_reply: moment(batch, 2, index)?,
        t_sample: moment(batch, 3, index)?,
        u_sample: column::<Float64Array>(batch, 4)?.value(index),
        values: (0..fields).map(value).collect::<Result<_, String>>()?,
        status: RowStatus::from_code(code).ok_or_else(|| format!("no status has the code {code}"))?,
    };
    let seq = seq(batch, index)?;
    checked(batch, index, check::poll(seq, &row))?;
    Ok((seq, Item::Record(Record::Row(row))))
}

fn demand(layout: &Layout, batch: &RecordBatch, index: usize) -> Result<(u64, Item), String> {
    let sent = Sent {
        at: moment(batch, 1, index)?,
        demand: column::<UInt32Array>(batch, 2)?.value(index) as usize,
        value: column::<Float64Array>(batch, 4)?.value(index),
    };
    let name = column::<StringArray>(batch, 3)?.value(index);
    let seq = seq(batch, index)?;
    checked(batch, index, check::demand(seq, &sent, name))?;
    if layout.demands.get(sent.demand).is_none_or(|d| d.name != name) {
        return Err(format!("demand {} is not `{name}`", sent.demand));
    }
    Ok((seq, Item::Record(Record::Sent(sent))))
}

fn event(batch: &RecordBatch, index: usize) -> Result<(u64, Item), String> {
    let kind = column::<StringArray>(batch, 2)?.value(index);
    let json = column::<StringArray>(batch, 3)?.value(index);
    let at = moment(batch, 1, index)?;
    let seq = seq(batch, index)?;
    checked(batch, index, check::event(seq, at.micros(), kind, json))?;
    let event: Event =
        serde_json::from_str(json).map_err(|e| format!("an event `{kind}` that cannot be read: {e}"))?;
    Ok((seq, Item::Record(Record::Event(Event { at, ..event }))))
}

fn chunk(burst: usize, layout: &Layout, batch: &RecordBatch, index: usize) -> Result<(u64, Item), String> {
    let whole = |at| Ok::<u32, String>(column::<UInt32Array>(batch, at)?.value(index));
    let counts = column::<ListArray>(batch, 5)?.value(index);
    let counts: &Int16Array = counts.as_any().downcast_ref().ok_or("counts that are no whole numbers")?;
    let chunk = Chunk {
        at: moment(batch, 1, index)?,
        burst,
        number: whole(2)?,
        channel: whole(3)? as usize,
        offset: whole(4)?,
        counts: counts.values().to_vec(),
    };
    let seq = seq(batch, index)?;
    checked(batch, index, check::chunk(seq, &chunk))?;
    if chunk.channel >= layout.bursts[burst].channels.len() {
        return Err(format!(
            "channel {} of a burst of {}",
            chunk.channel,
            layout.bursts[burst].channels.len()
        ));
    }
    Ok((seq, Item::Record(Record::Chunk(chunk))))
}

fn input(batch: &RecordBatch, index: usize) -> Result<(u64, Item), String> {
    let input = LoggedInput {
        seq: seq(batch, index)?,
        at: moment(batch, 1, index)?,
        kind: column::<UInt8Array>(batch, 2)?.value(index),
        link: column::<UInt16Array>(batch, 3)?.value(index),
        payload: column::<BinaryArray>(batch, 4)?.value(index).to_vec(),
        outputs: column::<UInt64Array>(batch, 5)?.value(index),
    };
    checked(batch, index, check::input(&input))?;
    Ok((input.seq, Item::Input(input)))
}

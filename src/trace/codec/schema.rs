//! Which streams a trace has, and the columns and metadata of each.

use crate::record::{Layout, QuantityLayout};
use arrow_schema::{DataType, Field, Schema, SchemaRef};
use std::collections::HashMap;
use std::sync::Arc;

/// Version of the streams' columns and metadata, in the metadata of each.
pub const VERSION: &str = "1";

pub(crate) const VERSION_KEY: &str = "spinproof:schema";
pub(crate) const LAYOUT_KEY: &str = "spinproof:layout";
const STREAM_KEY: &str = "spinproof:stream";
const GROUP_KEY: &str = "spinproof:group";
const BURST_KEY: &str = "spinproof:burst";

/// Columns of a poll stream that stand before the fields of its reply.
pub(crate) const POLL_FIXED: usize = 6;

/// Which stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stream {
    /// The polls of one group.
    Poll(usize),
    /// Demand frames.
    Demands,
    /// Events.
    Events,
    /// Inputs of the engine.
    Inputs,
    /// The bursts of one sort.
    Burst(usize),
}

/// Every stream of a trace with its file name, in the order in which they are made.
pub(crate) fn streams(layout: &Layout) -> Vec<(Stream, String)> {
    let mut streams = vec![
        (Stream::Inputs, "inputs.arrows".to_string()),
        (Stream::Events, "events.arrows".to_string()),
        (Stream::Demands, "demands.arrows".to_string()),
    ];
    let polls = layout.groups.iter().enumerate().map(|(i, g)| (Stream::Poll(i), "poll", &g.name));
    let bursts = layout.bursts.iter().enumerate().map(|(i, b)| (Stream::Burst(i), "burst", &b.name));
    for (stream, sort, name) in polls.chain(bursts) {
        let slug = slug(name);
        // Names that differ only in what a file name cannot hold must not share a file.
        let taken = |name: &str| streams.iter().any(|(_, n)| n.eq_ignore_ascii_case(name));
        let plain = format!("{sort}-{slug}.arrows");
        let numbered = (2..).map(|n| format!("{sort}-{slug}-{n}.arrows"));
        let name = std::iter::once(plain).chain(numbered).find(|name| !taken(name));
        streams.push((stream, name.expect("the numbers do not run out before the streams")));
    }
    streams
}

/// `text` with everything but ASCII letters, digits, `_` and `-` turned into single `-`; "unnamed" if nothing is left.
pub(crate) fn slug(text: &str) -> String {
    let mut slug = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() || c == '_' {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    // File systems end at 255 bytes a name; the rest of the name and a number must fit too.
    slug.truncate(100);
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() { "unnamed".into() } else { slug.into() }
}

/// The schema of one stream. It depends on nothing but the layout, so that a reader can make it
/// again when the stream's own first message is damaged.
pub(crate) fn schema(stream: Stream, layout: &Layout) -> SchemaRef {
    let mut metadata = HashMap::from([
        (VERSION_KEY.to_string(), VERSION.to_string()),
        (
            LAYOUT_KEY.to_string(),
            serde_json::to_string(layout).expect("a layout is texts and lists of texts, which JSON can hold"),
        ),
    ]);
    let mut say = |key: &str, value: String| metadata.insert(key.into(), value);
    let sort = match stream {
        Stream::Poll(group) => {
            say(GROUP_KEY, group.to_string());
            "poll"
        }
        Stream::Burst(burst) => {
            say(BURST_KEY, burst.to_string());
            "burst"
        }
        Stream::Demands => "demands",
        Stream::Events => "events",
        Stream::Inputs => "inputs",
    };
    say(STREAM_KEY, sort.into());
    Arc::new(Schema::new_with_metadata(fields(stream, layout), metadata))
}

fn fields(stream: Stream, layout: &Layout) -> Vec<Field> {
    match stream {
        Stream::Poll(group) => poll_fields(layout, group),
        Stream::Demands => vec![
            seq(),
            micros("t"),
            Field::new("demand", DataType::UInt32, false),
            Field::new("name", DataType::Utf8, false),
            Field::new("value", DataType::Float64, false).with_metadata(described("SI", "")),
            check(),
        ],
        Stream::Events => vec![
            seq(),
            micros("t"),
            Field::new("kind", DataType::Utf8, false),
            Field::new("json", DataType::Utf8, false),
            check(),
        ],
        Stream::Inputs => vec![
            seq(),
            micros("t"),
            Field::new("kind", DataType::UInt8, false),
            Field::new("link", DataType::UInt16, false),
            Field::new("payload", DataType::Binary, false),
            Field::new("outputs", DataType::UInt64, false),
            check(),
        ],
        Stream::Burst(_) => vec![
            seq(),
            micros("t_reply"),
            Field::new("number", DataType::UInt32, false),
            Field::new("channel", DataType::UInt32, false),
            Field::new("offset", DataType::UInt32, false),
            Field::new("counts", DataType::List(Arc::new(Field::new("item", DataType::Int16, false))), false),
            check(),
        ],
    }
}

fn poll_fields(layout: &Layout, group: usize) -> Vec<Field> {
    let mut fields = vec![
        seq(),
        micros("t_request"),
        micros("t_reply"),
        micros("t_sample"),
        Field::new("u_sample", DataType::Float64, false).with_metadata(described("us", "duration")),
        Field::new("status", DataType::UInt8, false),
    ];
    for (index, quantity) in layout.groups[group].fields.iter().enumerate() {
        let mut name = quantity.as_ref().map_or(format!("field_{index}"), |q| q.name.clone());
        // Readers that look columns up by name need each name once; the true one is in the metadata.
        while name == "check" || fields.iter().any(|f| *f.name() == name) {
            name.push('_');
        }
        fields.push(Field::new(name, DataType::Float64, true).with_metadata(channel(quantity.as_ref())));
    }
    fields.push(check());
    fields
}

fn seq() -> Field {
    Field::new("seq", DataType::UInt64, false)
}

fn micros(name: &str) -> Field {
    Field::new(name, DataType::Int64, false).with_metadata(described("us", "duration"))
}

fn check() -> Field {
    Field::new("check", DataType::UInt32, false)
}

fn described(unit: &str, kind: &str) -> HashMap<String, String> {
    HashMap::from([("unit".into(), unit.into()), ("quantity_kind".into(), kind.into())])
}

fn channel(quantity: Option<&QuantityLayout>) -> HashMap<String, String> {
    let Some(quantity) = quantity else { return HashMap::new() };
    let mut metadata = described(&quantity.unit, &quantity.kind);
    metadata.insert("channel".into(), quantity.name.clone());
    metadata
}

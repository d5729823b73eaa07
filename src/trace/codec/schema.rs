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
    // Names that differ only in what a file name cannot hold must not share a file. For each the number that was given last,
    // so that a layout of nothing but one name takes no longer than another.
    let mut taken: HashMap<String, u64> = HashMap::new();
    for (stream, sort, name) in polls.chain(bursts) {
        let stem = format!("{sort}-{}", slug(name));
        let mut number = taken.get(&stem.to_ascii_lowercase()).copied().unwrap_or(0);
        let name = loop {
            number += 1;
            let name = if number == 1 { stem.clone() } else { format!("{stem}-{number}") };
            if number == 1 || !taken.contains_key(&name.to_ascii_lowercase()) {
                break name;
            }
        };
        taken.insert(stem.to_ascii_lowercase(), number);
        taken.entry(name.to_ascii_lowercase()).or_insert(1);
        streams.push((stream, format!("{name}.arrows")));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::GroupLayout;

    fn names(groups: &[&str]) -> Vec<String> {
        let group =
            |name: &&str| GroupLayout { name: (*name).into(), link: "board".into(), fields: Vec::new() };
        let layout = Layout { groups: groups.iter().map(group).collect(), ..Layout::default() };
        streams(&layout).into_iter().skip(3).map(|(_, name)| name).collect()
    }

    #[test]
    fn names_that_differ_in_nothing_that_a_file_name_holds_get_a_number() {
        let found = names(&["a b", "a-b", "A b", "a-b-2", "a?b"]);
        assert_eq!(
            found,
            [
                "poll-a-b.arrows",
                "poll-a-b-2.arrows",
                "poll-A-b-3.arrows",
                "poll-a-b-2-2.arrows",
                "poll-a-b-4.arrows"
            ]
        );
    }

    /// A head that may come from anybody must not keep a reader busy for hours: 200 000 groups of one name are 2 x 10^10 names
    /// tried, each held against all before, if every one is counted up from the first.
    #[test]
    fn many_groups_of_one_name_are_named_in_one_pass() {
        let found = names(&vec!["a"; 200_000]);
        assert_eq!(found.last().map(String::as_str), Some("poll-a-200000.arrows"));
    }
}

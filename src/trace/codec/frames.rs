//! Where the messages of a stream begin and end, found before anything is decoded.
//!
//! An encapsulated message is the marker `FF FF FF FF`, the length of its description, the
//! description (which tells the length of the body), the body; the end mark is the marker and a
//! length of zero (Arrow columnar format, "Encapsulated message format"). The older form without the
//! marker is not taken: with it four zero bytes would be a clean end, and a power cut leaves zeros.

use std::ops::Range;

const MARKER: [u8; 4] = [0xFF; 4];

/// A whole message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Frame {
    /// All of it.
    pub(super) whole: Range<usize>,
    /// Its description.
    pub(super) head: Range<usize>,
    /// Its body.
    pub(super) body: Range<usize>,
}

/// What a scan of a stream found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Scan {
    /// Whole messages in order.
    pub(super) frames: Vec<Frame>,
    /// Stretches that are no whole message.
    pub(super) strays: Vec<Range<usize>>,
    /// Whether the end mark stands at the very end.
    pub(super) ended: bool,
}

/// Finds the messages. After a stretch that is none it goes on at the next one, so that a damaged
/// length costs one batch and not the rest of the run.
pub(super) fn scan(bytes: &[u8]) -> Scan {
    let mut scan = Scan::default();
    let mut at = 0;
    while at < bytes.len() {
        if let Some(frame) = frame_at(bytes, at) {
            at = frame.whole.end;
            scan.frames.push(frame);
        } else if is_end_mark(bytes, at) {
            scan.ended = true;
            at = bytes.len();
        } else {
            let next =
                (at + 1..bytes.len()).find(|i| frame_at(bytes, *i).is_some() || is_end_mark(bytes, *i));
            let end = next.unwrap_or(bytes.len());
            scan.strays.push(at..end);
            at = end;
        }
    }
    scan
}

fn is_end_mark(bytes: &[u8], at: usize) -> bool {
    bytes[at..] == [0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0]
}

fn frame_at(bytes: &[u8], at: usize) -> Option<Frame> {
    let rest = bytes[at..].strip_prefix(&MARKER)?;
    let length = i32::from_le_bytes(*rest.first_chunk()?);
    let head = at + 8..(at + 8).checked_add(usize::try_from(length).ok().filter(|l| *l > 0)?)?;
    let message = arrow_ipc::root_as_message(bytes.get(head.clone())?).ok()?;
    let body = head.end..head.end.checked_add(usize::try_from(message.bodyLength()).ok()?)?;
    bytes.get(body.clone())?;
    Some(Frame { whole: at..body.end, head, body })
}

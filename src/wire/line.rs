//! Lines put together from pieces.

use std::collections::VecDeque;

/// A line without its terminator, or what could not become one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Line {
    /// A whole line.
    Whole(Vec<u8>),
    /// Bytes beyond the longest line allowed; cut off and thrown away up to the next terminator.
    TooLong(Vec<u8>),
}

/// Puts lines together from bytes that come split, merged or corrupted. An IEEE 488.2 definite-length
/// block (`#`, one digit, so many digits of length, that many bytes) may contain the terminator.
#[derive(Debug, Clone)]
pub struct LineReader {
    ends_with: Vec<u8>,
    line_max: usize,
    pending: Vec<u8>,
    skipping: bool,
    ready: VecDeque<Line>,
}

impl LineReader {
    /// A reader for lines that end with `ends_with` (not empty) and are at most `line_max` bytes long.
    pub fn new(ends_with: &[u8], line_max: usize) -> LineReader {
        assert!(!ends_with.is_empty(), "the plan refuses an empty terminator");
        LineReader {
            ends_with: ends_with.to_vec(),
            line_max,
            pending: Vec::new(),
            skipping: false,
            ready: VecDeque::new(),
        }
    }

    /// Takes bytes as they come.
    pub fn push(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.pending.push(*byte);
            self.step();
        }
    }

    /// The next line, if there is one.
    pub fn next_line(&mut self) -> Option<Line> {
        self.ready.pop_front()
    }

    /// Whether a line has begun to come and has not ended.
    pub fn has_part(&self) -> bool {
        self.skipping || !self.pending.is_empty()
    }

    /// Forgets a half line and everything that waits.
    pub fn clear(&mut self) {
        self.pending.clear();
        self.ready.clear();
        self.skipping = false;
    }

    fn step(&mut self) {
        if self.pending.ends_with(&self.ends_with) && !self.inside_block() {
            // A copy: the pending bytes keep the room they have.
            let mut line = self.pending[..self.pending.len() - self.ends_with.len()].to_vec();
            self.pending.clear();
            // A carriage return may be the last byte of a block: then it is data.
            let in_block = block_end(&line) == Some(line.len());
            if self.ends_with == b"\n" && line.last() == Some(&b'\r') && !in_block {
                line.pop();
            }
            if !std::mem::take(&mut self.skipping) && !line.is_empty() {
                self.ready.push_back(Line::Whole(line));
            }
        } else if self.pending.len() > self.line_max + self.ends_with.len() {
            let cut = std::mem::take(&mut self.pending);
            if !std::mem::replace(&mut self.skipping, true) {
                self.ready.push_back(Line::TooLong(cut));
            }
        }
    }

    /// Whether the pending bytes end inside a definite-length block.
    fn inside_block(&self) -> bool {
        let Some(block_end) = block_end(&self.pending) else { return false };
        self.pending.len() < block_end + self.ends_with.len() && block_end <= self.line_max
    }
}

/// One past the last byte of the first definite-length block whose head is whole.
fn block_end(bytes: &[u8]) -> Option<usize> {
    let hash = bytes.iter().position(|b| *b == b'#')?;
    let digits = bytes.get(hash + 1).filter(|b| (b'1'..=b'9').contains(*b))?;
    let count = usize::from(digits - b'0');
    let length = std::str::from_utf8(bytes.get(hash + 2..hash + 2 + count)?).ok()?;
    Some(hash + 2 + count + length.parse::<usize>().ok()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(reader: &mut LineReader) -> Vec<Line> {
        std::iter::from_fn(|| reader.next_line()).collect()
    }

    #[test]
    fn lines_come_whole_however_they_are_split() {
        let text = b"1,2\r\n3,4\n\n#15ab\ncd\n";
        for size in 1..text.len() {
            let mut reader = LineReader::new(b"\n", 64);
            text.chunks(size).for_each(|c| reader.push(c));
            let whole: Vec<Line> =
                [b"1,2".to_vec(), b"3,4".to_vec(), b"#15ab\ncd".to_vec()].map(Line::Whole).into();
            assert_eq!(lines(&mut reader), whole, "in pieces of {size}");
        }
    }

    #[test]
    fn a_carriage_return_at_the_end_of_a_block_is_data() {
        let mut reader = LineReader::new(b"\n", 64);
        reader.push(b"#13ab\r\n#13ab\r\r\n");
        assert_eq!(lines(&mut reader), vec![Line::Whole(b"#13ab\r".to_vec()); 2]);
    }

    #[test]
    fn a_line_that_never_ends_is_cut_once_and_the_next_is_whole() {
        let mut reader = LineReader::new(b"\n", 8);
        reader.push(&[b'x'; 40]);
        reader.push(b"\nok\n");
        let got = lines(&mut reader);
        assert!(matches!(&got[0], Line::TooLong(bytes) if bytes.len() == 10), "{got:?}");
        assert_eq!(got[1..], [Line::Whole(b"ok".to_vec())]);
    }

    #[test]
    fn a_corrupted_block_header_cannot_swallow_more_than_a_line() {
        let mut reader = LineReader::new(b"\n", 16);
        reader.push(b"#9999999999\nok\n");
        assert_eq!(lines(&mut reader).last(), Some(&Line::Whole(b"ok".to_vec())));
    }
}

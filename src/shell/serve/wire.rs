//! A serial line's pace: bytes take their bit times, one after the other.

use std::collections::VecDeque;

/// Bytes go over in pieces of about this length, so that a slow line costs few wakes.
const PIECE_NANOS: u64 = 1_000_000;

/// One direction of a line. Times in nanoseconds.
#[derive(Debug)]
pub(super) struct Wire {
    byte_nanos: u64,
    /// When the line is free again.
    free: u64,
    pieces: VecDeque<Piece>,
}

#[derive(Debug)]
struct Piece {
    /// When its first bit goes onto the line.
    start: u64,
    bytes: Vec<u8>,
    taken: usize,
}

impl Wire {
    /// A line at `baud` with so many bits per byte, start and stop bits included.
    pub fn new(baud: u32, bits: u32) -> Wire {
        let byte_nanos = (u64::from(bits) * 1_000_000_000).div_ceil(u64::from(baud.max(1)));
        Wire { byte_nanos, free: 0, pieces: VecDeque::new() }
    }

    /// Puts bytes onto the line at `now`, behind those that are still on it.
    pub fn put(&mut self, now: u64, bytes: Vec<u8>) {
        if bytes.is_empty() {
            return;
        }
        let start = self.free.max(now);
        self.free = start + self.byte_nanos * bytes.len() as u64;
        self.pieces.push_back(Piece { start, bytes, taken: 0 });
    }

    /// The next bytes whose last bit has passed by `now`, and when that of the last one did. Ask
    /// again until there are none.
    pub fn take(&mut self, now: u64) -> Option<(u64, Vec<u8>)> {
        let piece = self.pieces.front_mut()?;
        let passed = (now.saturating_sub(piece.start) / self.byte_nanos) as usize;
        let upto = passed.min(piece.bytes.len());
        if upto <= piece.taken {
            return None;
        }
        let bytes = piece.bytes[piece.taken..upto].to_vec();
        let at = piece.start + self.byte_nanos * upto as u64;
        piece.taken = upto;
        if upto == piece.bytes.len() {
            self.pieces.pop_front();
        }
        Some((at, bytes))
    }

    /// When it is worth asking again: the end of the message, or of a piece of it.
    pub fn next(&self) -> Option<u64> {
        let piece = self.pieces.front()?;
        let end = piece.start + self.byte_nanos * piece.bytes.len() as u64;
        let begun = piece.start + self.byte_nanos * piece.taken as u64;
        Some(end.min(begun + PIECE_NANOS.max(self.byte_nanos)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 8N1 takes ten bits a byte: 1 Mbaud is 10 us a byte.
    #[test]
    fn no_byte_passes_before_its_bits_have() {
        let mut wire = Wire::new(1_000_000, 10);
        wire.put(5_000, b"abc".to_vec());
        assert_eq!(wire.take(14_999), None);
        assert_eq!(wire.take(15_000), Some((15_000, b"a".to_vec())));
        assert_eq!(wire.take(15_001), None);
        assert_eq!(wire.next(), Some(35_000));
        assert_eq!(wire.take(90_000), Some((35_000, b"bc".to_vec())));
        assert_eq!((wire.take(90_000), wire.next()), (None, None));
    }

    #[test]
    fn a_burst_queues_behind_what_is_on_the_line() {
        let mut wire = Wire::new(1_000_000, 10);
        wire.put(0, b"ab".to_vec());
        wire.put(1_000, b"c".to_vec());
        assert_eq!(wire.take(100_000), Some((20_000, b"ab".to_vec())));
        assert_eq!(wire.take(100_000), Some((30_000, b"c".to_vec())));
        wire.put(100_000, b"d".to_vec());
        assert_eq!(wire.next(), Some(110_000));
    }

    /// 9600 baud 8N1: 1.0417 ms a byte, so that pieces are single bytes; 115200: 86.8 us, pieces of 1 ms.
    #[test]
    fn a_long_message_goes_in_pieces_of_a_millisecond() {
        for (baud, pieces) in [(9_600, 100), (115_200, 10), (3_000_000, 1)] {
            let mut wire = Wire::new(baud, 10);
            wire.put(0, vec![b'x'; 100]);
            let mut wakes = 0;
            while let Some(at) = wire.next() {
                wakes += 1;
                assert!(wire.take(at).is_some(), "{baud} baud: nothing to take at {at}");
            }
            assert_eq!(wakes, pieces, "{baud} baud");
        }
    }
}

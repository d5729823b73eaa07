//! One check value per row, over everything that the row says.
//!
//! Arrow's stream format has no check of its own. After a power cut a file system may leave whole
//! pages of zeros inside a batch whose length is right; without a check they would be read as a
//! speed of zero. The check is CRC-32 as catalogued (CRC-32/ISO-HDLC, what zlib computes), over the
//! little-endian values in the order of the columns; texts, bytes and lists with their length before
//! them; a null as one byte 0, a value as one byte 1 and its eight bytes.

use crate::record::{Chunk, LoggedInput, Row, Sent};
use crc::{CRC_32_ISO_HDLC, Crc, Table};

static CRC: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC);

/// Check of a poll. The group comes first, although it is no column: rows of one group must not
/// pass for those of another.
pub(super) fn poll(seq: u64, row: &Row) -> u32 {
    let mut bytes = Vec::with_capacity(48 + 9 * row.values.len());
    bytes.extend((row.group as u32).to_le_bytes());
    bytes.extend(seq.to_le_bytes());
    for t in [row.t_request, row.t_reply, row.t_sample] {
        bytes.extend(t.micros().to_le_bytes());
    }
    bytes.extend(row.u_sample.to_le_bytes());
    bytes.push(row.status.code());
    for value in &row.values {
        bytes.push(u8::from(value.is_some()));
        if let Some(value) = value {
            bytes.extend(value.to_le_bytes());
        }
    }
    CRC.checksum(&bytes)
}

/// Check of a demand frame.
pub(super) fn demand(seq: u64, sent: &Sent, name: &str) -> u32 {
    let mut bytes = Vec::with_capacity(40 + name.len());
    bytes.extend(seq.to_le_bytes());
    bytes.extend(sent.at.micros().to_le_bytes());
    bytes.extend((sent.demand as u32).to_le_bytes());
    text(&mut bytes, name.as_bytes());
    bytes.extend(sent.value.to_le_bytes());
    CRC.checksum(&bytes)
}

/// Check of an event at `t` microseconds.
pub(super) fn event(seq: u64, t: i64, kind: &str, json: &str) -> u32 {
    let mut bytes = Vec::with_capacity(32 + kind.len() + json.len());
    bytes.extend(seq.to_le_bytes());
    bytes.extend(t.to_le_bytes());
    text(&mut bytes, kind.as_bytes());
    text(&mut bytes, json.as_bytes());
    CRC.checksum(&bytes)
}

/// Check of a piece of a burst. The burst comes first, although it is no column.
pub(super) fn chunk(seq: u64, chunk: &Chunk) -> u32 {
    let mut bytes = Vec::with_capacity(40 + 2 * chunk.counts.len());
    bytes.extend((chunk.burst as u32).to_le_bytes());
    bytes.extend(seq.to_le_bytes());
    bytes.extend(chunk.at.micros().to_le_bytes());
    bytes.extend(chunk.number.to_le_bytes());
    bytes.extend((chunk.channel as u32).to_le_bytes());
    bytes.extend(chunk.offset.to_le_bytes());
    bytes.extend((chunk.counts.len() as u32).to_le_bytes());
    for count in &chunk.counts {
        bytes.extend(count.to_le_bytes());
    }
    CRC.checksum(&bytes)
}

/// Check of an input.
pub(super) fn input(input: &LoggedInput) -> u32 {
    let mut bytes = Vec::with_capacity(40 + input.payload.len());
    bytes.extend(input.seq.to_le_bytes());
    bytes.extend(input.at.micros().to_le_bytes());
    bytes.push(input.kind);
    bytes.extend(input.link.to_le_bytes());
    text(&mut bytes, &input.payload);
    bytes.extend(input.outputs.to_le_bytes());
    CRC.checksum(&bytes)
}

fn text(bytes: &mut Vec<u8>, text: &[u8]) {
    bytes.extend((text.len() as u32).to_le_bytes());
    bytes.extend(text);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of CRC-32/ISO-HDLC over "123456789" as catalogued is CBF43926.
    #[test]
    fn the_check_is_the_catalogued_crc() {
        assert_eq!(CRC.checksum(b"123456789"), 0xCBF4_3926);
    }
}

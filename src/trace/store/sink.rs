//! Where the bytes of a stream go.

use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};

/// A place to append to. A trait, so that tests can fill it up.
pub(super) trait Sink: Send {
    /// Appends all of the bytes, in one write call where the system takes them so.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Takes everything from `length` on away again.
    fn cut_back(&mut self, length: u64) -> io::Result<()>;
    /// Waits until the bytes are on the medium.
    fn sync(&mut self) -> io::Result<()>;
}

impl Sink for File {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        // A `File` has no buffer of its own: there is nothing to flush after this.
        self.write_all(bytes)
    }

    fn cut_back(&mut self, length: u64) -> io::Result<()> {
        self.set_len(length)?;
        self.seek(SeekFrom::Start(length)).map(drop)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

/// A file that nobody waits for.
pub(super) struct Hurried(pub File);

impl Sink for Hurried {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.append(bytes)
    }

    fn cut_back(&mut self, length: u64) -> io::Result<()> {
        self.0.cut_back(length)
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

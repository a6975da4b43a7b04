//! A file, read through a buffer that knows how much one piece of it has taken.
//!
//! Reader crates gather a token, a comment or a row in memory, however long it is. Before each piece they are given
//! an allowance by [`Input::begin_piece`]; a piece that needs more than [`LONGEST_PIECE`] ends in an error instead of
//! filling the memory. This bounds what a capture of any size can take.

use std::fs::File;
use std::io::{self, BufRead, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Bytes that one token, comment, row or gap may have.
pub(super) const LONGEST_PIECE: usize = 4 << 20;
const BLOCK: usize = 64 << 10;

/// How far a file has been read, shared with whoever shows it.
#[derive(Clone, Debug, Default)]
pub struct Progress {
    bytes: Arc<AtomicU64>,
}

impl Progress {
    /// Bytes that have been read.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.bytes.load(Ordering::Relaxed)
    }

    pub(super) fn set(&self, bytes: u64) {
        self.bytes.store(bytes, Ordering::Relaxed);
    }
}

/// A piece is longer than any that a capture has.
#[derive(Debug)]
pub(super) struct TooLong;

impl std::fmt::Display for TooLong {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "a piece of more than {LONGEST_PIECE} bytes without an end")
    }
}

impl std::error::Error for TooLong {}

/// The file.
#[derive(Debug)]
pub(super) struct Input {
    file: File,
    block: Vec<u8>,
    at: usize,
    filled: usize,
    /// Blocks that the present piece has taken.
    blocks: usize,
    bytes: u64,
    /// The last byte that was read.
    last: u8,
    progress: Progress,
}

impl Input {
    pub(super) fn new(file: File, progress: Progress) -> Self {
        Self { file, block: vec![0; BLOCK], at: 0, filled: 0, blocks: 0, bytes: 0, last: b'\n', progress }
    }

    /// What is read next has its whole allowance.
    pub(super) const fn begin_piece(&mut self) {
        self.blocks = 0;
    }

    /// Whether the file, once read to its end, ends with a line.
    pub(super) const fn ends_with_line(&self) -> bool {
        self.last == b'\n'
    }

    /// Bytes before the present place.
    pub(super) const fn offset(&self) -> u64 {
        self.bytes - (self.filled - self.at) as u64
    }

    #[cold]
    fn refill(&mut self) -> io::Result<()> {
        self.blocks += 1;
        if self.blocks > LONGEST_PIECE / BLOCK + 1 {
            return Err(io::Error::new(io::ErrorKind::InvalidData, TooLong));
        }
        self.at = 0;
        self.filled = self.file.read(&mut self.block)?;
        if let Some(&last) = self.block.get(..self.filled).and_then(<[u8]>::last) {
            self.last = last;
        }
        self.bytes += self.filled as u64;
        self.progress.set(self.bytes);
        Ok(())
    }
}

impl Read for Input {
    #[inline]
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.at == self.filled {
            self.refill()?;
        }
        let from = &self.block[self.at..self.filled];
        // One byte at a time is what the reader of VCD asks for.
        if let ([byte], [first, ..]) = (&mut *into, from) {
            *byte = *first;
            self.at += 1;
            return Ok(1);
        }
        let count = from.len().min(into.len());
        into[..count].copy_from_slice(&from[..count]);
        self.at += count;
        Ok(count)
    }
}

impl BufRead for Input {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.at == self.filled {
            self.refill()?;
        }
        Ok(&self.block[self.at..self.filled])
    }

    fn consume(&mut self, count: usize) {
        self.at = (self.at + count).min(self.filled);
    }
}

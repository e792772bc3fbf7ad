//! Lines of a reader, one buffer for all, with their number and a bound on their length.

use std::io::{BufRead, Read};

use super::FormatError;
use super::fields::without_bom;

/// No format here has longer lines; a file without line ends must not fill the memory.
const LONGEST_LINE_BYTES: u64 = 1 << 20;

pub(super) struct Lines<R> {
    reader: R,
    buffer: Vec<u8>,
    number: usize,
}

impl<R: BufRead> Lines<R> {
    pub(super) fn new(reader: R) -> Self {
        Self { reader, buffer: Vec::with_capacity(512), number: 0 }
    }

    /// The next line with its number from 1, without its end; none at the end of the source.
    pub(super) fn next(&mut self) -> Result<Option<(usize, &[u8])>, FormatError> {
        self.buffer.clear();
        self.number += 1;
        let line = self.number;
        let read = (&mut self.reader)
            .take(LONGEST_LINE_BYTES)
            .read_until(b'\n', &mut self.buffer)
            .map_err(|source| FormatError::Io { line, source })?;
        if read == 0 {
            return Ok(None);
        }
        if read as u64 == LONGEST_LINE_BYTES {
            return Err(FormatError::line(
                line,
                "longer than a megabyte; not a file of this format",
            ));
        }
        let text = if line == 1 { without_bom(&self.buffer) } else { &self.buffer };
        Ok(Some((line, text.trim_ascii_end())))
    }
}

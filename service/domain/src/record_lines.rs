//! On which line of its source a record of comma-separated values begins.
//!
//! A reader of such values knows at which byte the record before ended: between the two characters
//! of a Windows line end, and before empty lines. So its own count of lines is one too few there,
//! and a break inside quotes makes counting records no better.

use std::collections::VecDeque;
use std::io::{self, Read};

/// Passes a source on as it is and remembers where its lines begin.
///
/// Holds the beginnings that were passed on since the last question only: as many as the buffer of
/// who reads has lines.
#[derive(Debug)]
pub struct RecordLines<R> {
    source: R,
    /// Bytes passed on.
    passed: u64,
    /// Line of the next byte, counted from 1.
    line: u64,
    /// Whether the next byte begins a line, or follows only line ends.
    at_beginning: bool,
    /// Byte and line of each first character that is no line end.
    beginnings: VecDeque<(u64, u64)>,
}

impl<R> RecordLines<R> {
    /// A source from its first byte.
    pub fn new(source: R) -> Self {
        Self { source, passed: 0, line: 1, at_beginning: true, beginnings: VecDeque::new() }
    }

    /// The line, counted from 1, of the first record at or after a byte, where the record before
    /// ended. Questions must go forward; behind the last line the answer is the source's end.
    pub fn line_at(&mut self, byte: u64) -> u64 {
        while self.beginnings.front().is_some_and(|(at, _)| *at < byte) {
            self.beginnings.pop_front();
        }
        self.beginnings.front().map_or(self.line, |(_, line)| *line)
    }

    fn look_at(&mut self, bytes: &[u8]) {
        for line in bytes.split_inclusive(|byte| *byte == b'\n') {
            let ends_line = |byte: &u8| matches!(byte, b'\r' | b'\n');
            if self.at_beginning
                && let Some(blank) = line.iter().position(|byte| !ends_line(byte))
            {
                self.beginnings.push_back((self.passed + blank as u64, self.line));
            }
            self.at_beginning = line.last().is_some_and(ends_line);
            self.line += u64::from(line.ends_with(b"\n"));
            self.passed += line.len() as u64;
        }
    }
}

impl<R: Read> Read for RecordLines<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.source.read(buffer)?;
        if let Some(bytes) = buffer.get(..count) {
            self.look_at(bytes);
        }
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn passed_on(text: &str) -> RecordLines<&[u8]> {
        let mut lines = RecordLines::new(text.as_bytes());
        let mut read = String::new();
        lines.read_to_string(&mut read).unwrap();
        assert_eq!(read, text);
        lines
    }

    #[test]
    fn a_place_between_the_two_characters_of_a_line_end_belongs_to_the_next_line() {
        let mut lines = passed_on("a\r\nb\r\n");
        assert_eq!(lines.line_at(0), 1);
        assert_eq!(lines.line_at(2), 2);
    }

    #[test]
    fn empty_lines_are_counted_and_passed_over() {
        let mut lines = passed_on("a\n\n\nb\n");
        assert_eq!(lines.line_at(2), 4);
    }

    #[test]
    fn lines_inside_a_record_are_forgotten_with_it() {
        let mut lines = passed_on("a,\"x\r\ny\"\r\nb\r\n");
        assert_eq!(lines.line_at(0), 1);
        assert_eq!(lines.line_at(9), 3);
    }

    #[test]
    fn behind_the_last_line_is_the_end() {
        assert_eq!(passed_on("a\nb\n").line_at(4), 3);
    }
}

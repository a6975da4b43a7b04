//! What a format has to be able to tell, and what both tell alike.

use crate::capture::{Asked, Exchange, Facts, Frame, Trouble, Word};
use crate::wire::bytes_of;

use super::super::{Failure, Output};
use super::{Chain, Counts};

/// A way of telling.
pub(super) trait Show {
    fn begin(
        &mut self,
        file: &str,
        facts: &Facts,
        chain: Option<&Chain>,
        output: &mut Output<'_>,
    ) -> Result<(), Failure>;
    fn frame(&mut self, frame: &Frame, output: &mut Output<'_>) -> Result<(), Failure>;
    fn words(&mut self, frame: &Frame, words: &[Word<'_>], output: &mut Output<'_>) -> Result<(), Failure>;
    fn exchange(&mut self, exchange: &Exchange, output: &mut Output<'_>) -> Result<(), Failure>;
    fn trouble(&mut self, trouble: &Trouble, output: &mut Output<'_>) -> Result<(), Failure>;
    fn end(&mut self, counts: &Counts, output: &mut Output<'_>) -> Result<(), Failure>;
}

/// Bits as hex, the first on the wire first, the last byte filled up with zeros.
pub(super) fn hex(bits: &[bool]) -> String {
    bytes_of(bits).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// What a command is called.
pub(super) fn name(asked: &Asked) -> &'static str {
    match asked {
        Asked::Command { verb, .. } => verb.name(),
        Asked::Read { .. } => "read parameter",
        Asked::Write { .. } => "write parameter",
        Asked::CrcMismatch => "wrong check",
        Asked::BrokenOff => "broken-off word",
        _ => "unknown word",
    }
}

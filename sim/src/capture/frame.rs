//! What a capture gives: frames, and what was wrong with them.

use super::levels::Instant;
use super::trouble::Trouble;

/// The bits between two edges of chip select.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// Counted from 0 in the order of time; as the file counts where it does.
    pub number: u64,
    /// When chip select became active, in nanoseconds of the recording; the first clock edge where chip select was not
    /// recorded.
    pub start_ns: i64,
    /// When chip select was released: the latch. The start again where a file tells no more.
    pub end_ns: i64,
    /// What the controller sent, first bit on the wire first; `None` if it was not recorded.
    pub mosi: Option<Vec<bool>>,
    /// What the controller received, bit beside bit.
    pub miso: Option<Vec<bool>>,
    /// Whether both ends of the selection were seen.
    pub complete: bool,
}

impl Frame {
    /// How many bits were clocked.
    #[must_use]
    pub fn bits(&self) -> usize {
        self.mosi.as_ref().or(self.miso.as_ref()).map_or(0, Vec::len)
    }
}

/// What comes next out of a capture. Troubles come before the frame that they concern.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Item {
    /// A frame.
    Frame(Frame),
    /// Something is wrong.
    Trouble(Trouble),
}

/// What a source of levels gives next.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Step {
    /// Some line has changed, or the recording ends here.
    Levels(Instant),
    /// Something is wrong, and the recording goes on.
    Trouble(Trouble),
}

//! Kinds of packets, and what their bodies mean: requests of the firmware, replies of the simulator.
//!
//! Writing and reading stand side by side; reading never fails otherwise than by giving nothing. Numbers are little endian.

/// The version of the protocol, told in the greeting.
pub const VERSION: u8 = 1;

/// Kinds of packets. A reply has the kind of its request with the highest bit set, or one of the last two.
pub mod kind {
    /// A session begins.
    pub const HELLO: u8 = 0x01;
    /// One selection of the chain.
    pub const TRANSACTION: u8 = 0x02;
    /// Time passes.
    pub const DELAY: u8 = 0x03;
    /// A look at a line beside the bus.
    pub const LINE: u8 = 0x04;
    /// A look at the clock.
    pub const NOW: u8 = 0x05;
    /// The firmware is done.
    pub const END: u8 = 0x06;
    /// The firmware has something to say.
    pub const LOG: u8 = 0x07;
    /// What makes a reply of a request.
    pub const REPLY: u8 = 0x80;
    /// A reply: the request came, and takes a while.
    pub const NOT_YET: u8 = 0x80;
    /// A reply: the request cannot be done; the body is a reason and, if it pleases, a text in UTF-8.
    pub const REFUSED: u8 = 0xFF;
}

/// A line beside the bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Line {
    /// The motion-busy line of one device, or of the whole chain.
    Busy {
        /// The device; none for all of them, joined.
        device: Option<u8>,
    },
    /// The fault line of one device, or of the whole chain.
    Fault {
        /// The device; none for all of them, joined.
        device: Option<u8>,
    },
    /// The home switch of an axis.
    HomeSwitch {
        /// The device.
        device: u8,
        /// The axis of the device.
        axis: u8,
    },
}

/// Stands for all devices of a chain.
const WHOLE_CHAIN: u8 = 0xFF;

impl Line {
    /// As the body of a request.
    #[must_use]
    pub const fn to_bytes(self) -> [u8; 3] {
        match self {
            Self::Busy { device: Some(device) } => [0, device, 0],
            Self::Busy { device: None } => [0, WHOLE_CHAIN, 0],
            Self::Fault { device: Some(device) } => [1, device, 0],
            Self::Fault { device: None } => [1, WHOLE_CHAIN, 0],
            Self::HomeSwitch { device, axis } => [2, device, axis],
        }
    }

    /// From the body of a request.
    #[must_use]
    pub const fn from_bytes(body: &[u8]) -> Option<Self> {
        let &[line, device, axis] = body else { return None };
        let of = if device == WHOLE_CHAIN { None } else { Some(device) };
        match line {
            0 => Some(Self::Busy { device: of }),
            1 => Some(Self::Fault { device: of }),
            2 => Some(Self::HomeSwitch { device, axis }),
            _ => None,
        }
    }
}

/// A piece of a selection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    /// These bytes are clocked out; as many come in.
    Shift(&'a [u8]),
    /// So many nanoseconds pass with chip select low.
    Pause(u32),
}

/// Longest run of bytes in one piece.
pub const MOST_SHIFT: usize = 255;

/// Reads the body of a transaction, piece by piece: a count and so many bytes, or a zero and nanoseconds. A body that ends
/// amid a piece ends with `Err`.
pub fn pieces(body: &[u8]) -> impl Iterator<Item = Result<Piece<'_>, Cut>> {
    let mut rest = body;
    core::iter::from_fn(move || {
        let (&count, behind) = rest.split_first()?;
        let piece = if count == 0 {
            behind.split_first_chunk().map(|(ns, rest)| (Piece::Pause(u32::from_le_bytes(*ns)), rest))
        } else {
            behind.split_at_checked(count.into()).map(|(bytes, rest)| (Piece::Shift(bytes), rest))
        };
        let Some((piece, behind)) = piece else {
            rest = &[];
            return Some(Err(Cut));
        };
        rest = behind;
        Some(Ok(piece))
    })
}

/// A body that ends too early.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cut;

/// Writes bodies from the front; what does not fit is told once, at the end.
#[derive(Clone, Debug)]
pub struct Body<const ROOM: usize> {
    bytes: [u8; ROOM],
    count: usize,
}

impl<const ROOM: usize> Default for Body<ROOM> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const ROOM: usize> Body<ROOM> {
    /// An empty one.
    #[must_use]
    pub const fn new() -> Self {
        Self { bytes: [0; ROOM], count: 0 }
    }

    /// Adds bytes.
    pub fn put(&mut self, bytes: &[u8]) {
        let end = self.count.saturating_add(bytes.len());
        if let Some(place) = self.bytes.get_mut(self.count..end) {
            place.copy_from_slice(bytes);
        }
        self.count = end;
    }

    /// Adds bytes to be clocked out.
    pub fn put_shift(&mut self, bytes: &[u8]) {
        for part in bytes.chunks(MOST_SHIFT) {
            self.put(&[u8::try_from(part.len()).unwrap_or(u8::MAX)]);
            self.put(part);
        }
    }

    /// Adds so many zeros to be clocked out.
    pub fn put_zeros(&mut self, count: usize) {
        let mut left = count;
        while left > 0 {
            let part = left.min(MOST_SHIFT);
            self.put(&[u8::try_from(part).unwrap_or(u8::MAX)]);
            let end = self.count.saturating_add(part);
            if let Some(place) = self.bytes.get_mut(self.count..end) {
                place.fill(0);
            }
            self.count = end;
            left -= part;
        }
    }

    /// Adds a pause.
    pub fn put_pause(&mut self, ns: u32) {
        self.put(&[0]);
        self.put(&ns.to_le_bytes());
    }

    /// All of it; nothing if it did not fit.
    #[must_use]
    pub fn bytes(&self) -> Option<&[u8]> {
        self.bytes.get(..self.count)
    }

    /// How many bytes it has, or would have.
    #[must_use]
    pub const fn length(&self) -> usize {
        self.count
    }
}

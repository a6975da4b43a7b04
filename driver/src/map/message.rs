//! A text that is put together at compile time, without allocation: what a constant that panics can show.

const MESSAGE_BYTES: usize = 256;

/// A message for `panic!("{}", message.as_str())` in a constant; cut at 256 bytes.
#[derive(Clone, Copy, Debug)]
pub struct Message {
    bytes: [u8; MESSAGE_BYTES],
    length: usize,
}

impl Message {
    /// The texts, one after another.
    pub(crate) const fn of(texts: &[&str]) -> Self {
        let mut message = Self { bytes: [0; MESSAGE_BYTES], length: 0 };
        let mut rest = texts;
        while let [text, tail @ ..] = rest {
            message.push(text.as_bytes());
            rest = tail;
        }
        message
    }

    /// Texts and numbers, in turns.
    pub(crate) const fn of_numbers(first: &str, number: usize, second: &str, other: usize) -> Self {
        let mut message = Self::of(&[first]);
        message.push_number(number as u32);
        message.push(second.as_bytes());
        message.push_number(other as u32);
        message
    }

    /// The text.
    #[must_use]
    pub const fn as_str(&self) -> &str {
        let text = match self.bytes.split_at_checked(self.length) {
            Some((text, _)) => text,
            None => &[],
        };
        match core::str::from_utf8(text) {
            Ok(text) => text,
            // The cut has fallen into a character of the map's own names: what is before it.
            Err(error) => match text.split_at_checked(error.valid_up_to()) {
                Some((whole, _)) => match core::str::from_utf8(whole) {
                    Ok(text) => text,
                    Err(_) => "",
                },
                None => "",
            },
        }
    }

    pub(super) const fn push(&mut self, text: &[u8]) {
        let mut text = text;
        while let [byte, rest @ ..] = text {
            let Some((_, [slot, ..])) = self.bytes.split_at_mut_checked(self.length) else {
                return;
            };
            *slot = *byte;
            self.length += 1;
            text = rest;
        }
    }

    pub(super) const fn push_number(&mut self, number: u32) {
        let mut divisor: u32 = 1_000_000_000;
        while divisor > 1 && number < divisor {
            divisor /= 10;
        }
        while divisor > 0 {
            self.push(&[b'0' + (number / divisor % 10) as u8]);
            divisor /= 10;
        }
    }
}

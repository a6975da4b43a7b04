//! What one device is being asked, unit by unit, and which answer is on its way.
//!
//! The mirror of what the device itself does with words and answers: a word's answer leaves from the next frame on, and
//! a new answer takes the place of what is left of an old one.

use std::collections::VecDeque;

use stepchain::map::{BufferMode, CommandForm, Piece, Verb};

use crate::decode::{Assembler, Decoded, Dictionary};

/// Words of a device that are remembered.
const REMEMBERED: usize = 6;

/// An answer on its way, or the one that leaves when nothing was asked.
#[derive(Clone, Debug)]
pub(super) struct Awaited {
    pub(super) pieces: &'static [Piece],
    pub(super) address: u16,
    pub(super) count: usize,
    /// When it was asked for, in virtual time: what is told is as of then.
    pub(super) asked_ns: u64,
    pub(super) question: String,
    pub(super) expected: Vec<u64>,
    pub(super) captured: Vec<u64>,
    /// Number and start of the first frame in which the two were unlike, in the time of the recording.
    pub(super) first_unlike: Option<(u64, i64)>,
    /// Part of it came while the line told nothing.
    is_spoilt: bool,
}

/// A word that a device was sent.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Word {
    /// The frame of its first unit and that of its last.
    pub(super) frames: (u64, u64),
    /// What it says, for people.
    pub(super) text: String,
    /// Whether it may change anything.
    pub(super) is_command: bool,
}

/// One device's ear.
#[derive(Clone, Debug, Default)]
pub(super) struct Ear {
    assembler: Assembler,
    begun: Option<u64>,
    awaited: Option<Awaited>,
    /// The last words that were not filler, the oldest first.
    pub(super) words: VecDeque<Word>,
    /// When the last latch was.
    latched_ns: u64,
    /// Words that the map does not know.
    pub(super) unknown: usize,
    /// Units that may still belong to an answer of which the recording does not have the question.
    stray: usize,
}

impl Ear {
    /// An ear that begins to listen amid a conversation, so many units before its first whole word.
    pub(super) fn amid(dictionary: &Dictionary, before: usize) -> Self {
        let layout = dictionary.layout();
        let addresses = || layout.registers.iter().map(|register| register.address).chain([0]);
        let units = |form: &CommandForm| addresses().map(|address| dictionary.reply_units(form.reply, address)).max();
        let longest = layout.commands.iter().filter_map(units).max().unwrap_or(0);
        Self { stray: before + longest, ..Self::default() }
    }

    /// Takes what is shifted out in a frame; gives the answer once it is whole.
    pub(super) fn hear(
        &mut self,
        dictionary: &Dictionary,
        expected: u64,
        captured: u64,
        frame: (u64, i64),
    ) -> Option<Awaited> {
        if self.awaited.is_none() && self.stray > 0 {
            self.stray -= 1;
            return None;
        }
        let idle = || Awaited {
            pieces: dictionary.layout().wire.idle_reply,
            address: 0,
            count: 1,
            asked_ns: self.latched_ns,
            question: "no question".to_owned(),
            expected: Vec::new(),
            captured: Vec::new(),
            first_unlike: None,
            is_spoilt: false,
        };
        let mut awaited = self.awaited.take().unwrap_or_else(idle);
        awaited.expected.push(expected);
        awaited.captured.push(captured);
        if expected != captured {
            awaited.first_unlike.get_or_insert(frame);
        }
        if awaited.expected.len() >= awaited.count {
            return (!awaited.is_spoilt).then_some(awaited);
        }
        self.awaited = Some(awaited);
        None
    }

    /// What has come of the answer that is on its way tells nothing.
    pub(super) const fn spoil(&mut self) {
        if let Some(awaited) = &mut self.awaited {
            awaited.is_spoilt = true;
        }
    }

    /// What is on its way will not be heard whole.
    pub(super) fn miss(&mut self) {
        self.awaited = None;
    }

    /// The device has forgotten the words and answers that were under way.
    pub(super) fn forget(&mut self) {
        self.awaited = None;
        self.begun = None;
        self.assembler.clear();
    }

    /// The device latches a unit; gives what the word says that is whole with it.
    pub(super) fn say(&mut self, dictionary: &Dictionary, unit: u64, frame: u64, now_ns: u64) -> Option<Decoded> {
        self.latched_ns = now_ns;
        let begun = *self.begun.get_or_insert(frame);
        let decoded = self.assembler.push(unit, dictionary);
        if matches!(decoded, Decoded::PartOf { .. }) {
            return None;
        }
        self.begun = None;
        let (address, form) = match decoded {
            Decoded::Filler => return None,
            Decoded::Read { address } => (address, dictionary.form(Verb::ReadParameter)),
            Decoded::Write { address, .. } => (address, dictionary.form(Verb::WriteParameter)),
            Decoded::Command { verb, buffer_mode, .. } => {
                if verb == Verb::ResetNode {
                    self.awaited = None;
                }
                (0, dictionary.form_in(verb, buffer_mode))
            }
            _ => {
                self.unknown += 1;
                (0, None)
            }
        };
        let question = text(&decoded, dictionary);
        let pieces = form.map_or(&[][..], |form| form.reply);
        let count = dictionary.reply_units(pieces, address);
        if count > 0 {
            self.awaited = Some(Awaited {
                pieces,
                address,
                count,
                asked_ns: now_ns,
                question: question.clone(),
                expected: Vec::new(),
                captured: Vec::new(),
                first_unlike: None,
                is_spoilt: false,
            });
        }
        if self.words.len() == REMEMBERED {
            self.words.pop_front();
        }
        let is_command = !matches!(
            decoded,
            Decoded::Read { .. } | Decoded::Command { verb: Verb::PeekStatus | Verb::TakeStatus, .. }
        );
        self.words.push_back(Word { frames: (begun, frame), text: question, is_command });
        Some(decoded)
    }
}

/// What a word says, for people.
fn text(decoded: &Decoded, dictionary: &Dictionary) -> String {
    let names = |address: u16| {
        let names: Vec<_> = dictionary.fields(address).map(|field| field.name).collect();
        if names.is_empty() { format!("register {address:#04x}") } else { names.join(", ") }
    };
    match decoded {
        Decoded::Command { verb, buffer_mode, .. } => {
            format!("{}{}", verb.name(), if *buffer_mode == BufferMode::Buffered { ", buffered" } else { "" })
        }
        Decoded::Read { address } => format!("read {}", names(*address)),
        Decoded::Write { address, .. } => format!("write {}", names(*address)),
        Decoded::CrcMismatch { .. } => "word with a wrong check".to_owned(),
        _ => "unknown word".to_owned(),
    }
}

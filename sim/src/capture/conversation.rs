//! Follows what is said to each device and what it answers, frame by frame.
//!
//! Words are gathered by an [`Assembler`](crate::decode::Assembler) for each device; a reply's first unit leaves with the
//! selection after the request's last unit, whatever the map's reply timing. An [`Exchange`] is given out once its reply
//! is there or can no longer come, in the order in which commands were latched, and those of one latch by device.

use std::collections::VecDeque;
use std::sync::Arc;

use stepchain::map::BitOrder;

use super::chain::{Word, unit_of, words};
use super::exchange::{Asked, Exchange};
use super::frame::Frame;
use super::listener::{Awaited, Listener, Understood};
use super::note::Note;
use super::reply::Reply;
use super::trouble::Trouble;
use crate::decode::{Decoded, Dictionary};

/// Turns frames into exchanges.
#[derive(Clone, Debug)]
pub struct Conversation {
    dictionary: Arc<Dictionary>,
    order: BitOrder,
    devices: Vec<Listener>,
    queue: VecDeque<Exchange>,
    /// Exchanges that have left the queue.
    given: u64,
}

impl Conversation {
    /// A conversation with this many devices of a map, whose units are read in this order.
    #[must_use]
    pub fn new(dictionary: Arc<Dictionary>, devices: usize, order: BitOrder) -> Self {
        let listener = Listener::new(&dictionary);
        Self { dictionary, order, devices: vec![listener; devices], queue: VecDeque::new(), given: 0 }
    }

    /// Takes a frame in; what is wrong with its length comes back.
    ///
    /// Of a frame that is not complete or too short nobody knows what the devices hold: words and answers that were
    /// under way are broken off.
    pub fn take(&mut self, frame: &Frame) -> Option<Trouble> {
        let dictionary = Arc::clone(&self.dictionary);
        let (words, trouble) = words(frame, &dictionary.layout().wire, self.devices.len());
        if words.is_empty() || !frame.complete {
            self.break_off(frame);
        } else {
            // All answers of a frame were given before any of its words is latched.
            words.iter().for_each(|word| self.hear(word));
            words.iter().for_each(|word| self.say(word, frame));
        }
        trouble.map(|kind| Trouble { time_ns: frame.start_ns, frame: Some(frame.number), kind })
    }

    /// An exchange that is settled.
    pub fn pop(&mut self) -> Option<Exchange> {
        let is_awaited =
            |listener: &Listener| listener.awaited.as_ref().is_some_and(|awaited| awaited.exchange == self.given);
        if self.devices.iter().any(is_awaited) {
            return None;
        }
        let front = self.queue.pop_front()?;
        self.given += 1;
        Some(front)
    }

    /// The capture has ended: nothing more is waited for.
    pub fn end(&mut self) {
        for device in 0..self.devices.len() {
            self.miss(device);
        }
    }

    fn break_off(&mut self, frame: &Frame) {
        for device in 0..self.devices.len() {
            self.miss(device);
            let listener = &mut self.devices[device];
            let units = listener.assembler.pending().to_vec();
            listener.assembler.clear();
            if let Some((number, start_ns)) = listener.begun.take() {
                self.queue.push_back(Exchange {
                    device,
                    frames: (number, frame.number),
                    start_ns,
                    latched_ns: frame.end_ns,
                    units,
                    asked: Asked::BrokenOff,
                    reply: None,
                    notes: Vec::new(),
                });
            }
        }
    }

    /// The answer to a device's last question will not come any more.
    fn miss(&mut self, device: usize) {
        if let Some(awaited) = self.devices[device].awaited.take()
            && let Some(exchange) = self.exchange(awaited.exchange)
        {
            exchange.notes.push(Note::ReplyMissing);
        }
    }

    fn exchange(&mut self, number: u64) -> Option<&mut Exchange> {
        let place = number.checked_sub(self.given)?;
        self.queue.get_mut(usize::try_from(place).ok()?)
    }

    fn hear(&mut self, word: &Word<'_>) {
        let Some(bits) = word.miso else { return };
        let unit = unit_of(bits, self.order);
        let dictionary = Arc::clone(&self.dictionary);
        let listener = &mut self.devices[word.device];
        let Some(awaited) = &mut listener.awaited else {
            let idle = dictionary.layout().wire.idle_reply;
            let heard = Reply::read(&dictionary, idle, 0, &[unit], |_| 1.0);
            if heard.check_is_right && heard.is_well_formed {
                listener.learn_status(&heard);
            }
            return;
        };
        awaited.units.push(unit);
        if awaited.units.len() < awaited.count {
            return;
        }
        let Some(awaited) = listener.awaited.take() else { return };
        let resolution = |axis| listener.microsteps_per_step(&dictionary, axis);
        let reply = Reply::read(&dictionary, awaited.pieces, awaited.address, &awaited.units, resolution);
        let notes = listener.notes_on(&reply, awaited.address, &dictionary);
        if let Some(exchange) = self.exchange(awaited.exchange) {
            exchange.notes.extend(notes);
            exchange.reply = Some(reply);
        }
    }

    fn say(&mut self, word: &Word<'_>, frame: &Frame) {
        let Some(bits) = word.mosi else { return };
        let dictionary = Arc::clone(&self.dictionary);
        let listener = &mut self.devices[word.device];
        let (number, start_ns) = *listener.begun.get_or_insert((frame.number, frame.start_ns));
        let mut units = listener.assembler.pending().to_vec();
        let unit = unit_of(bits, self.order);
        units.push(unit);
        let decoded = listener.assembler.push(unit, &dictionary);
        if matches!(decoded, Decoded::PartOf { .. }) {
            return;
        }
        listener.begun = None;
        let Some(understood) = listener.understand(&decoded, &dictionary) else { return };
        let Understood { asked, notes, answered_as } = understood;
        let (address, form) = match (&asked, answered_as) {
            (Asked::Read { address, .. } | Asked::Write { address, .. }, Some((verb, _))) => {
                (*address, dictionary.form(verb))
            }
            (_, Some((verb, buffer_mode))) => (0, dictionary.form_in(verb, buffer_mode)),
            (_, None) => (0, None),
        };
        let pieces = form.map_or(&[][..], |form| form.reply);
        let count = dictionary.reply_units(pieces, address);
        if count > 0 && word.miso.is_some() {
            self.miss(word.device);
            let exchange = self.given + self.queue.len() as u64;
            self.devices[word.device].awaited = Some(Awaited { exchange, pieces, address, count, units: Vec::new() });
        }
        let (device, latched_ns, frames) = (word.device, frame.end_ns, (number, frame.number));
        self.queue.push_back(Exchange { device, frames, start_ns, latched_ns, units, asked, reply: None, notes });
    }
}

//! Lets the faults of a script happen to the world: at their instants, and to each bit that is clocked.
//!
//! While a script is played, time goes from one happening to the next, of the devices or of the script, so that each
//! fault turns at its own instant and not when somebody looks. Within a frame that is the instant at which a bit's clock
//! begins. Without a script, or behind its end, nothing of this runs.

mod player;
#[cfg(test)]
mod tests;
mod trigger;

use stepchain::map::Flag;

pub(super) use player::Player;
use player::{Stage, Strikes, Turn};

use super::world::World;
use crate::clock::bits_ns;
use crate::device::{Device, Event, EventKind};
use crate::inject::{DataLine, Fault, InjectError, Line, Script};
use crate::wire::BusEvent;

impl World {
    /// Plays a script from now on, beside those that are played already.
    pub(super) fn inject(&mut self, script: &Script) -> Result<(), InjectError> {
        let axes: Vec<_> = self.devices.iter().map(|device| device.axes().len()).collect();
        script.check(&axes)?;
        self.catch_up();
        if !self.player.is_playing() {
            self.is_asked_for = self.registers.is_selected();
        }
        let now_ns = self.now_ns();
        self.player.take_up(script, &self.devices, now_ns);
        self.play_to(now_ns);
        Ok(())
    }

    /// Lets the devices and the script happen up to and including an instant, in the order of time.
    pub(super) fn play_to(&mut self, end_ns: u64) {
        if !self.player.is_playing() {
            return;
        }
        loop {
            let (turn_ns, numbers) = self.player.next(&self.devices).unzip();
            let of_devices = self.devices.iter().filter_map(Device::next_event_ns).min();
            let Some(at_ns) = turn_ns.into_iter().chain(of_devices).min().filter(|&at_ns| at_ns <= end_ns) else {
                break;
            };
            if turn_ns == Some(at_ns) {
                self.send_begun_before(at_ns);
            }
            self.reach(at_ns);
            if turn_ns == Some(at_ns) {
                for number in numbers.into_iter().flatten() {
                    if let Some(turn) = self.player.turn(number, at_ns) {
                        self.apply(&turn, at_ns);
                    }
                }
            }
        }
        self.player.pass(end_ns, &self.devices);
    }

    /// When the script will do something of itself.
    pub(super) fn next_turn_ns(&self) -> Option<u64> {
        self.player.next(&self.devices).map(|(at_ns, _)| at_ns)
    }

    /// As [`drive`](Self::drive), while a script is played.
    pub(super) fn drive_with_faults(&mut self, event: BusEvent<'_>) -> Vec<bool> {
        self.catch_up();
        let now_ns = self.now_ns();
        match event {
            BusEvent::Select => self.select_with_faults(now_ns),
            BusEvent::Bits(bits) => return self.clock_with_faults(bits, now_ns, None),
            BusEvent::Deselect => self.release_with_faults(now_ns),
        }
        // What the devices have begun with the edge may be what a fault waits for.
        self.player.pass(now_ns, &self.devices);
        self.play_to(now_ns);
        Vec::new()
    }

    fn select_with_faults(&mut self, now_ns: u64) {
        if self.is_asked_for {
            return;
        }
        self.check_gap();
        self.is_asked_for = true;
        self.place = 0;
        for number in self.player.begin_frame(self.frames, self.registers.frame_bits()) {
            if let Some(turn) = self.player.turn(number, now_ns) {
                self.apply(&turn, now_ns);
            }
        }
        self.move_chip_select(now_ns);
    }

    fn release_with_faults(&mut self, now_ns: u64) {
        if !std::mem::replace(&mut self.is_asked_for, false) {
            return;
        }
        self.released_ns = Some(now_ns);
        self.move_chip_select(now_ns);
        if self.registers.is_selected() {
            self.player.strike_stuck(Line::Cs, self.place);
        }
        for (number, strikes) in self.player.take_strikes() {
            self.tell_strikes(number, strikes, now_ns);
        }
        let ended = self.player.end_frame();
        self.frames += 1;
        for turn in ended {
            self.apply(&turn, now_ns);
        }
    }

    /// One clock of the controller for each bit; gives what it reads. The clock of the first begins so many bits after
    /// `base_ns`, or all at that instant.
    pub(super) fn clock_with_faults(&mut self, bits: &[bool], base_ns: u64, before: Option<u64>) -> Vec<bool> {
        let clock_hz = self.clock_hz;
        let clock = |(place, &bit): (u64, &bool)| {
            let passed_ns = before.map_or(0, |before| bits_ns(before + place, clock_hz));
            self.play_to(base_ns.saturating_add(passed_ns));
            let came = self.clock_one_with_faults(bit);
            if let Some(before) = before {
                self.note_bits(base_ns, before + place, &[bit], &[came]);
            }
            came
        };
        (0..).zip(bits).map(clock).collect()
    }

    /// One clock of the controller with the faults that hold now; gives what it reads.
    pub(super) fn clock_one_with_faults(&mut self, bit: bool) -> bool {
        let place = self.place;
        self.place += 1;
        let is_selected = self.registers.is_selected();
        if !is_selected && !self.is_asked_for {
            // Nobody on this chain is spoken to, so no frame of it can be struck.
            let open = self.registers.clock(bit);
            return self.player.stuck(Line::Miso).unwrap_or(open);
        }
        if !is_selected {
            self.player.strike_stuck(Line::Cs, place);
        }
        let mosi = self.player.carry(DataLine::Mosi, place, bit);
        let mut read = None;
        for _ in 0..self.player.clocks(place) {
            let came = self.registers.clock(mosi);
            read.get_or_insert(came);
            for (device, level) in self.player.breaks().into_iter().filter(|_| is_selected) {
                if self.registers.replace_arrival(device + 1, level).is_some_and(|was| was != level) {
                    self.player.strike_stuck(Line::Behind(device), place);
                }
            }
        }
        let came = read.unwrap_or_else(|| self.registers.lose_clock(mosi));
        self.player.carry(DataLine::Miso, place, came)
    }

    /// Chip select is where the controller and the faults have it.
    fn move_chip_select(&mut self, at_ns: u64) {
        let is_low = self.player.stuck(Line::Cs).map_or(self.is_asked_for, |level| !level);
        if is_low == self.registers.is_selected() {
            return;
        }
        let edge = if is_low { BusEvent::Select } else { BusEvent::Deselect };
        let latched = self.registers.take(edge, &mut Vec::new());
        self.note_select(at_ns);
        if let Some(latched) = latched {
            self.latch(&latched, at_ns);
        }
    }

    /// Whether a device is held in reset.
    pub(super) fn is_held_in_reset(&self, device: usize) -> bool {
        self.player.is_playing() && self.player.holds(|fault| *fault == Fault::ResetNode { device })
    }

    fn apply(&mut self, turn: &Turn, at_ns: u64) {
        let Turn { number, ref fault, stage, strikes, .. } = *turn;
        let device = fault.device();
        let log = |world: &mut Self, kind| world.events.push(Event { time_ns: at_ns, device, kind });
        match stage {
            Stage::Began => log(self, EventKind::FaultBegan { number, fault: fault.clone() }),
            Stage::Worsened => log(self, EventKind::FaultWorsened { number, fault: fault.clone() }),
            Stage::Ended => self.tell_strikes(number, strikes, at_ns),
        }
        self.bring_about(turn, at_ns);
        if stage == Stage::Ended {
            self.collect_events();
            log(self, EventKind::FaultEnded { number, fault: fault.clone() });
        }
    }

    /// What a turn changes. A fault that ends leaves what another one like it still holds.
    fn bring_about(&mut self, turn: &Turn, at_ns: u64) {
        let Turn { ref fault, stage, is_instant, .. } = *turn;
        match *fault {
            Fault::ResetNode { .. } if stage == Stage::Ended && is_instant => {}
            // A device that is held starts anew once more when it is let go.
            Fault::ResetNode { device } => {
                self.restart(device, at_ns);
                if !is_instant && self.is_held_in_reset(device) {
                    self.registers.load_device(device, 0);
                }
            }
            Fault::Undervoltage { device } => {
                let holds = self.player.holds(|other| other == fault);
                self.set_condition(device, Flag::Undervoltage, holds, at_ns);
            }
            Fault::Overheating { device, .. } => {
                let is_hot =
                    |other: &Fault| matches!(other, Fault::Overheating { .. }) && other.device() == Some(device);
                let (is_hot, is_too_hot) = (self.player.holds(is_hot), self.player.is_too_hot(device));
                self.set_condition(device, Flag::OvertemperatureWarning, is_hot, at_ns);
                self.set_condition(device, Flag::Overtemperature, is_too_hot, at_ns);
            }
            Fault::OpenWinding { device, axis, winding } => {
                let holds = self.player.holds(|other| other == fault);
                self.device(device).set_open_winding(axis, winding, holds, at_ns);
                self.collect_events();
            }
            Fault::BlockedRotor { device, axis } => {
                let holds = self.player.holds(|other| other == fault);
                self.device(device).set_blocked(axis, holds, at_ns);
                self.collect_events();
            }
            Fault::StuckLine { line: Line::Cs, .. } => self.move_chip_select(at_ns),
            Fault::StuckLine { line, .. } => self.note_stuck(line, at_ns),
            _ => {}
        }
    }

    fn set_condition(&mut self, device: usize, flag: Flag, holds: bool, at_ns: u64) {
        let device = self.device(device);
        for axis in (0..device.axes().len()).filter_map(|axis| u8::try_from(axis).ok()) {
            device.set_condition(flag, axis, holds, at_ns);
        }
        self.collect_events();
    }

    fn tell_strikes(&mut self, number: usize, strikes: Strikes, at_ns: u64) {
        let Strikes { hits, first } = strikes;
        if hits > 0 {
            let kind = EventKind::FaultStruck { number, frame: self.frames, hits, first };
            self.events.push(Event { time_ns: at_ns, device: None, kind });
        }
    }
}

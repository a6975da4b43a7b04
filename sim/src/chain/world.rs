//! The world behind the handles: the one owner of time, devices, shift registers and log.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::task::Poll;

use embedded_hal::digital::PinState;
use stepchain::map::{Layout, SpareClocks, Wire};

use crate::clock::{Clock, bits_ns};
use crate::decode::Dictionary;
use crate::device::{Device, Event, EventKind, Violation};
use crate::wire::{BusEvent, Latched, Port};

use super::bus::BusState;
use super::capture::Slot;

use super::agenda::{Activity, Agenda, Awaited, Outcome};
use super::faults::Player;
use super::lines::Drive;
use super::scope::Armed;

#[derive(Clone, Debug)]
pub(super) struct World {
    /// What all devices of the chain bear: its clock and its gap are those of the slowest.
    wire: Wire,
    pub(super) clock: Clock,
    pub(super) devices: Vec<Device>,
    pub(super) clock_hz: u32,
    pub(super) gap_ns: u64,
    pub(super) events: Vec<Event>,
    /// Entries that were in the log once.
    pub(super) forgotten: usize,
    pub(super) bytes: u64,
    pub(super) frames: u64,
    /// The futures that wait.
    pub(super) agenda: Agenda,
    /// Whether waiting leaves time alone.
    pub(super) by_hand: bool,
    /// The levels of the lines that somebody has driven.
    pub(super) driven: BTreeMap<Drive, PinState>,
    /// Up to when the lines have been watched that futures wait for.
    watched_ns: u64,
    pub(super) registers: Port,
    pub(super) bus: BusState,
    pub(super) capture: Slot,
    pub(super) scopes: Vec<Armed>,
    /// When chip select rose last.
    pub(super) released_ns: Option<u64>,
    /// Bits whose time has not passed yet, so that it is rounded up once for all of them.
    pub(super) bits_under_way: u64,
    pub(super) player: Player,
    /// Whether the controller holds chip select low, while a script is played; the line may be stuck elsewhere.
    pub(super) is_asked_for: bool,
    /// Bits that the controller has clocked since it selected the chain last.
    pub(super) place: u64,
}

impl World {
    /// A chain of the devices with these layouts, which share the wire form; there is at least one.
    pub(super) fn new(layouts: &[&'static Layout]) -> Self {
        let mut devices: Vec<Device> = Vec::new();
        let mut wire = layouts[0].wire;
        for layout in layouts {
            wire.max_clock_hz = wire.max_clock_hz.min(layout.wire.max_clock_hz);
            wire.min_deselect_ns = wire.min_deselect_ns.max(layout.wire.min_deselect_ns);
            let known = devices.iter().find(|device| std::ptr::eq(device.layout(), *layout));
            let dictionary = known.map_or_else(|| Arc::new(Dictionary::new(layout)), |device| device.dictionary());
            devices.push(Device::new(dictionary, 0));
        }
        let mut world = Self {
            wire,
            clock: Clock::default(),
            clock_hz: wire.max_clock_hz,
            gap_ns: wire.min_deselect_ns.into(),
            events: Vec::new(),
            forgotten: 0,
            bytes: 0,
            frames: 0,
            agenda: Agenda::default(),
            by_hand: false,
            driven: BTreeMap::new(),
            watched_ns: 0,
            registers: Port::new(&wire, devices.len()),
            bus: BusState::new(),
            capture: Slot::default(),
            scopes: Vec::new(),
            released_ns: None,
            bits_under_way: 0,
            player: Player::default(),
            is_asked_for: false,
            place: 0,
            devices,
        };
        for (index, device) in world.devices.iter().enumerate() {
            world.registers.load_device(index, device.idle_unit(0));
        }
        world.collect_events();
        world
    }

    /// Begins a selection as the SPI controller does: after the gap that it keeps.
    pub(super) fn begin(&mut self) {
        self.flush_bus();
        if self.controller_selects() {
            return;
        }
        if let Some(released_ns) = self.released_ns {
            self.clock.advance_to_ns(released_ns.saturating_add(self.gap_ns));
        }
        self.select();
    }

    /// Whether the controller holds chip select low, wherever the line is.
    pub(super) fn controller_selects(&self) -> bool {
        if self.player.is_playing() { self.is_asked_for } else { self.registers.is_selected() }
    }

    /// Begins a selection now.
    pub(super) fn select(&mut self) {
        self.check_clock();
        self.drive(BusEvent::Select);
    }

    /// Clocks come at another pace from now on.
    pub(super) fn set_clock_hz(&mut self, clock_hz: u32) {
        self.settle_bus();
        self.clock_hz = clock_hz;
        self.begin_run();
        if self.controller_selects() {
            self.check_clock();
        }
    }

    fn check_clock(&mut self) {
        let greatest_hz = self.wire.max_clock_hz;
        if self.clock_hz > greatest_hz {
            self.violation(Violation::ClockTooFast { clock_hz: self.clock_hz, greatest_hz });
        }
    }

    /// One clock for each bit of the bytes; gives the bytes that came back.
    pub(super) fn shift(&mut self, bytes: &[u8]) -> Vec<u8> {
        self.bytes += bytes.len() as u64;
        let bits = self.registers.bits_of(bytes);
        let came = if self.player.is_playing() {
            self.clock_with_faults(&bits, self.now_ns(), Some(self.bits_under_way))
        } else {
            let came = self.drive(BusEvent::Bits(&bits));
            self.note_bits(self.now_ns(), self.bits_under_way, &bits, &came);
            came
        };
        self.bits_under_way += bits.len() as u64;
        self.registers.bytes_of(&came)
    }

    /// Lets time pass with chip select low.
    pub(super) fn wait(&mut self, duration_ns: u64) {
        self.let_bits_pass();
        self.clock.advance_ns(duration_ns);
    }

    /// Ends a selection when its bits have had their time.
    pub(super) fn end(&mut self) {
        self.let_bits_pass();
        self.drive(BusEvent::Deselect);
    }

    /// What happens on the bus happens now and takes no time. Gives the bits that came back.
    pub(super) fn drive(&mut self, event: BusEvent<'_>) -> Vec<bool> {
        if self.player.is_playing() {
            return self.drive_with_faults(event);
        }
        match event {
            BusEvent::Select if !self.registers.is_selected() => {
                self.check_gap();
                self.place = 0;
            }
            BusEvent::Bits(bits) => self.place += bits.len() as u64,
            _ => {}
        }
        let mut miso = Vec::new();
        let latched = self.registers.take(event, &mut miso);
        if !matches!(event, BusEvent::Bits(_)) {
            self.note_select(self.now_ns());
        }
        if let Some(latched) = latched {
            if self.agenda.watches_lines() {
                self.catch_up();
            }
            self.released_ns = Some(self.now_ns());
            self.frames += 1;
            self.latch(&latched, self.now_ns());
        }
        miso
    }

    pub(super) fn check_gap(&mut self) {
        let least_ns = u64::from(self.wire.min_deselect_ns);
        let found_ns = self.released_ns.map(|released_ns| self.now_ns() - released_ns);
        if let Some(found_ns) = found_ns.filter(|&found_ns| found_ns < least_ns) {
            self.violation(Violation::DeselectTooShort { found_ns, least_ns });
        }
    }

    /// All devices act on what they hold, and load what they shift out next.
    pub(super) fn latch(&mut self, latched: &Latched, now_ns: u64) {
        let (clocks, expected) = (latched.clocks, self.registers.frame_bits());
        // What happens of itself at this very instant stands before what the latch brings, whoever has looked already.
        self.reach(now_ns);
        // Of unlike devices those that count their clocks ignore the frame, and the others do not.
        let ignores = |device: &Device| device.layout().wire.spare_clocks == SpareClocks::Refused && clocks != expected;
        if self.devices.iter().any(ignores) {
            self.violation_at(Violation::ClockCount { clocks, expected }, now_ns);
        } else if clocks < expected {
            self.violation_at(Violation::TooFewClocks { clocks, least: expected }, now_ns);
        } else if clocks - expected >= u64::from(self.wire.unit_bits).max(8) {
            // Fewer than eight may be what fills a byte, also where a unit is that small.
            self.violation_at(Violation::SurplusUnits { bits: clocks, chain_bits: expected }, now_ns);
        }
        for (index, unit) in latched.units.iter().enumerate() {
            let is_held = self.is_held_in_reset(index);
            let Some(device) = self.devices.get_mut(index) else { break };
            let next = match () {
                () if is_held => 0,
                () if ignores(device) => device.ignore(now_ns),
                () => device.latch(*unit, now_ns),
            };
            self.registers.load_device(index, next);
        }
        self.collect_events();
    }

    /// The device with this index.
    ///
    /// # Panics
    /// If the chain has none such.
    pub(super) fn device(&mut self, index: usize) -> &mut Device {
        let count = self.devices.len();
        match self.devices.get_mut(index) {
            Some(device) => device,
            None => panic!("the chain has {count} devices, counted from 0, and no device {index}"),
        }
    }

    /// A device starts anew; what its shift register held is lost with the rest.
    pub(super) fn reset_node(&mut self, device: usize) {
        self.catch_up();
        self.restart(device, self.now_ns());
    }

    /// The same at an instant up to which everything has happened.
    pub(super) fn restart(&mut self, device: usize, now_ns: u64) {
        let restarted = self.device(device);
        restarted.reset(now_ns);
        let idle = restarted.idle_unit(now_ns);
        self.registers.load_device(device, idle);
        self.collect_events();
    }

    pub(super) const fn now_ns(&self) -> u64 {
        self.clock.now_ns()
    }

    /// When every axis stands, if that is to come.
    pub(super) fn still_from_ns(&self) -> Option<u64> {
        let axes = self.devices.iter().flat_map(Device::axes);
        axes.map(|axis| axis.engine().settles_at_ns())
            .try_fold(self.now_ns(), |last_ns, settles_ns| settles_ns.map(|settles_ns| last_ns.max(settles_ns)))
    }

    /// Lets happen what was to happen until now.
    pub(super) fn catch_up(&mut self) {
        if self.bus.has_bits_under_way() {
            self.settle_bus();
        }
        let now_ns = self.now_ns();
        self.play_to(now_ns);
        self.reach(now_ns);
    }

    /// Lets happen on the devices what was to happen until an instant.
    pub(super) fn reach(&mut self, at_ns: u64) {
        if self.agenda.watches_lines() || self.capture.is_on() || self.has_open_scopes() {
            self.watch_lines(at_ns);
        }
        self.devices.iter_mut().for_each(|device| device.advance(at_ns));
        self.watched_ns = self.watched_ns.max(at_ns);
        self.collect_events();
    }

    /// Looks at the lines that are waited for, and at what a capture or a scope shows, at every instant at which they may have
    /// changed, so that none of what they did is lost, however far time has gone meanwhile.
    fn watch_lines(&mut self, now_ns: u64) {
        let mut at_ns = self.watched_ns;
        // First at that instant once more: something may have been done since it was watched.
        loop {
            self.devices.iter_mut().for_each(|device| device.advance(at_ns));
            self.agenda.watch(|tap| tap.is_active(&self.devices, at_ns));
            self.show(at_ns);
            self.sample_scopes(at_ns);
            if at_ns >= now_ns {
                return;
            }
            let samples = self.next_sample_after(at_ns).into_iter().chain(self.next_scope_after(at_ns));
            let change = self.next_change_after(at_ns).into_iter().chain(samples).min();
            at_ns = change.map_or(now_ns, |change_ns| change_ns.min(now_ns));
        }
    }

    /// When a line may change of itself: with an event, or with the phase of a motion.
    fn next_change_after(&self, at_ns: u64) -> Option<u64> {
        let axes = self.devices.iter().flat_map(Device::axes);
        // One that time cannot reach is told at its last instant.
        let phases = axes.filter_map(|axis| axis.engine().next_phase_change_after(at_ns)).filter(|&ns| ns < u64::MAX);
        self.next_event_ns().into_iter().chain(phases).filter(|&change_ns| change_ns > at_ns).min()
    }

    /// A future begins to wait; gives its ticket.
    pub(super) fn begin_wait(&mut self, awaited: Awaited) -> u64 {
        // What lines have done up to here is not for the one who comes now.
        self.catch_up();
        self.agenda.enter(awaited)
    }

    /// A future asks whether it has waited long enough. Once everybody has asked in vain for long enough, time goes on
    /// to the next instant at which there is something for one of them. A ticket is void when its wait has ended.
    pub(super) fn poll_wait(&mut self, ticket: u64) -> Poll<Outcome> {
        self.catch_up();
        if !self.agenda.has_come(ticket, self.now_ns()) {
            let turnover = self.agenda.turnover();
            let activity = Activity { now_ns: self.now_ns(), bytes: self.bytes, frames: self.frames, turnover };
            if !self.agenda.is_idle(ticket, activity) || self.by_hand {
                return Poll::Pending;
            }
            let Some(next_ns) = self.next_of_interest_ns() else {
                self.agenda.remove(ticket);
                return Poll::Ready(Outcome::Never);
            };
            self.clock.advance_to_ns(next_ns);
            self.catch_up();
            if !self.agenda.has_come(ticket, self.now_ns()) {
                return Poll::Pending;
            }
        }
        self.agenda.remove(ticket);
        Poll::Ready(Outcome::Came)
    }

    /// The next instant at which somebody who waits has something to look at.
    fn next_of_interest_ns(&self) -> Option<u64> {
        let now_ns = self.now_ns();
        let change = if self.agenda.watches_lines() { self.next_change_after(now_ns) } else { None };
        change.into_iter().chain(self.agenda.earliest_after(now_ns)).min()
    }

    /// When something will happen of itself on the chain.
    pub(super) fn next_event_ns(&self) -> Option<u64> {
        self.devices.iter().filter_map(Device::next_event_ns).chain(self.next_turn_ns()).min()
    }

    fn let_bits_pass(&mut self) {
        self.clock.advance_ns(bits_ns(std::mem::take(&mut self.bits_under_way), self.clock_hz));
    }

    pub(super) fn violation(&mut self, violation: Violation) {
        self.catch_up();
        self.violation_at(violation, self.now_ns());
    }

    /// The same at an instant up to which the script has been played.
    fn violation_at(&mut self, violation: Violation, at_ns: u64) {
        self.reach(at_ns);
        let kind = EventKind::Violation(violation);
        self.events.push(Event { time_ns: at_ns, device: None, kind });
    }

    /// Nothing that is new here is older than what is in the log.
    pub(super) fn collect_events(&mut self) {
        let collected = self.events.len();
        for (index, device) in self.devices.iter_mut().enumerate() {
            let events = device.take_events().into_iter();
            self.events.extend(events.map(|(time_ns, kind)| Event { time_ns, device: Some(index), kind }));
        }
        if let Some(new) = self.events.get_mut(collected..) {
            new.sort_by_key(|event| event.time_ns);
        }
    }
}

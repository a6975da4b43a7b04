//! The same selections through any front of a virtual chain, and all that can be seen of the chain afterwards.

use embassy_futures::block_on;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;
use embedded_hal::spi::{Operation, SpiBus, SpiDevice};
use embedded_hal_bus::spi::ExclusiveDevice;
use stepchain::map::{BitOrder, BridgeState, Layout};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::clock::bits_ns;
use stepchain_sim::device::{Breakpoint, Event, EventKind, Violation};
use stepchain_sim::wire::{BusEvent, bits_of, bytes_of};

/// A part of a selection that owns what it sends.
#[derive(Clone, Debug)]
pub(crate) enum Op {
    Write(Vec<u8>),
    Read(usize),
    Transfer(usize, Vec<u8>),
    InPlace(Vec<u8>),
    DelayNs(u32),
}

impl Op {
    /// The bytes that it clocks out.
    fn sent(&self) -> Vec<u8> {
        match self {
            Self::Write(bytes) | Self::InPlace(bytes) => bytes.clone(),
            Self::Read(length) => vec![0; *length],
            Self::Transfer(length, bytes) => {
                let mut sent = bytes.clone();
                sent.resize(bytes.len().max(*length), 0);
                sent
            }
            Self::DelayNs(_) => Vec::new(),
        }
    }

    /// How many of the bytes that come it looks at.
    fn looked_at(&self) -> usize {
        match self {
            Self::Write(_) | Self::DelayNs(_) => 0,
            Self::Read(length) | Self::Transfer(length, _) => *length,
            Self::InPlace(bytes) => bytes.len(),
        }
    }

    /// Where what comes is put; for a transfer in place, with what is sent in it.
    fn buffer(&self) -> Vec<u8> {
        match self {
            Self::InPlace(bytes) => bytes.clone(),
            // Whatever stood in a buffer is to be overwritten.
            _ => vec![0xEE; self.looked_at()],
        }
    }
}

/// A way to reach the chain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Front {
    /// `SpiDevice`, blocking.
    Device,
    /// `SpiDevice`, async.
    AsyncDevice,
    /// `SpiBus` and pin, blocking, in the hands of `embedded-hal-bus`.
    Bus,
    /// `SpiBus` and pin, async, in the hands of `embedded-hal-bus`.
    AsyncBus,
    /// `SpiBus` and pin, by hand.
    Pin,
    /// The three bus events, with time passed by hand.
    BackDoor,
}

impl Front {
    pub(crate) const ALL: [Self; 6] =
        [Self::Device, Self::AsyncDevice, Self::Bus, Self::AsyncBus, Self::Pin, Self::BackDoor];
}

/// A chain behind one of its fronts.
pub(crate) struct Rig {
    pub(crate) chain: VirtualChain,
    front: Front,
    clock_hz: u32,
    order: BitOrder,
    gap_ns: u64,
    released_ns: Option<u64>,
}

impl Rig {
    pub(crate) fn new(front: Front, layout: &'static Layout, devices: usize) -> Self {
        let chain = VirtualChain::new(layout, devices).expect("the map is valid");
        Self {
            chain,
            front,
            clock_hz: layout.wire.max_clock_hz,
            order: BitOrder::MsbFirst,
            gap_ns: layout.wire.min_deselect_ns.into(),
            released_ns: None,
        }
    }

    pub(crate) fn set_clock_hz(&mut self, clock_hz: u32) {
        self.clock_hz = clock_hz;
        self.chain.set_clock_hz(clock_hz);
    }

    pub(crate) fn set_bit_order(&mut self, order: BitOrder) {
        self.order = order;
        self.chain.set_bit_order(order);
    }

    /// The device handle keeps its gap by itself; for the bus the rig does.
    pub(crate) fn set_gap_ns(&mut self, gap_ns: u64) {
        self.gap_ns = gap_ns;
        self.chain.set_gap_ns(gap_ns);
    }

    /// One selection; gives what was looked at of what came.
    pub(crate) fn select_once(&mut self, ops: &[Op]) -> Vec<u8> {
        let mut buffers: Vec<_> = ops.iter().map(Op::buffer).collect();
        match self.front {
            Front::Device => {
                self.chain.spi().transaction(&mut operations(ops, &mut buffers)).unwrap();
            }
            Front::AsyncDevice => {
                use embedded_hal_async::spi::SpiDevice;
                block_on(SpiDevice::transaction(&mut self.chain.spi(), &mut operations(ops, &mut buffers))).unwrap();
            }
            Front::Bus => {
                self.keep_gap();
                let (bus, pin) = self.chain.bus();
                let mut device = ExclusiveDevice::new(bus, pin, self.chain.delay()).unwrap();
                SpiDevice::transaction(&mut device, &mut operations(ops, &mut buffers)).unwrap();
            }
            Front::AsyncBus => {
                use embedded_hal_async::spi::SpiDevice;
                self.keep_gap();
                let (bus, pin) = self.chain.bus();
                let mut device = ExclusiveDevice::new(bus, pin, self.chain.delay()).unwrap();
                block_on(SpiDevice::transaction(&mut device, &mut operations(ops, &mut buffers))).unwrap();
            }
            Front::Pin => {
                self.keep_gap();
                self.by_pin(ops, &mut buffers);
            }
            Front::BackDoor => {
                self.keep_gap();
                self.by_back_door(ops, &mut buffers);
            }
        }
        self.released_ns = Some(self.chain.now_ns());
        buffers.concat()
    }

    fn by_pin(&self, ops: &[Op], buffers: &mut [Vec<u8>]) {
        let (mut bus, mut pin) = self.chain.bus();
        pin.set_low().unwrap();
        for (op, buffer) in ops.iter().zip(buffers) {
            match op {
                Op::Write(bytes) => bus.write(bytes).unwrap(),
                Op::Read(_) => bus.read(buffer).unwrap(),
                Op::Transfer(_, bytes) => bus.transfer(buffer, bytes).unwrap(),
                Op::InPlace(_) => bus.transfer_in_place(buffer).unwrap(),
                Op::DelayNs(duration_ns) => {
                    bus.flush().unwrap();
                    self.chain.delay().delay_ns(*duration_ns);
                }
            }
        }
        bus.flush().unwrap();
        pin.set_high().unwrap();
    }

    fn by_back_door(&self, ops: &[Op], buffers: &mut [Vec<u8>]) {
        self.chain.drive(BusEvent::Select);
        let mut bits_under_way = 0;
        for (op, buffer) in ops.iter().zip(buffers) {
            let sent = turned_round(self.order, op.sent());
            bits_under_way += 8 * sent.len() as u64;
            let came = self.chain.drive(BusEvent::Bits(&bits_of(&sent)));
            let came = turned_round(self.order, bytes_of(&came));
            buffer.copy_from_slice(&came[..op.looked_at()]);
            if let Op::DelayNs(duration_ns) = op {
                self.chain.advance_ns(bits_ns(std::mem::take(&mut bits_under_way), self.clock_hz));
                self.chain.advance_ns(u64::from(*duration_ns));
            }
        }
        self.chain.advance_ns(bits_ns(bits_under_way, self.clock_hz));
        self.chain.drive(BusEvent::Deselect);
    }

    fn keep_gap(&self) {
        if let Some(released_ns) = self.released_ns {
            self.chain.advance_ns((released_ns + self.gap_ns).saturating_sub(self.chain.now_ns()));
        }
    }

    /// All that can be seen of the chain.
    pub(crate) fn seen(&self) -> Seen {
        let (chain, layout) = (&self.chain, self.chain.layout());
        let devices = 0..chain.devices();
        let axes: Vec<_> =
            devices.clone().flat_map(|device| (0..usize::from(layout.axes)).map(move |axis| (device, axis))).collect();
        let content =
            |device| layout.registers.iter().map(move |register| chain.read_register(device, register.address));
        Seen {
            now_ns: chain.now_ns(),
            frames: chain.frames(),
            is_selected: chain.is_selected(),
            events: chain.events(),
            status: devices.clone().map(|device| chain.status(device)).collect(),
            registers: devices.map(|device| content(device).collect()).collect(),
            positions: axes.iter().map(|&(device, axis)| chain.position(device, axis)).collect(),
            bridges: axes.iter().map(|&(device, axis)| chain.bridge_state(device, axis)).collect(),
            trajectories: axes.iter().map(|&(device, axis)| chain.trajectory(device, axis)).collect(),
        }
    }

    /// The violations so far, with their times.
    pub(crate) fn violations(&self) -> Vec<(u64, Violation)> {
        let violation = |event: Event| match event.kind {
            EventKind::Violation(violation) => Some((event.time_ns, violation)),
            _ => None,
        };
        self.chain.events().into_iter().filter_map(violation).collect()
    }
}

/// What a chain shows.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Seen {
    now_ns: u64,
    frames: u64,
    is_selected: bool,
    pub(crate) events: Vec<Event>,
    status: Vec<u64>,
    registers: Vec<Vec<u32>>,
    positions: Vec<i64>,
    bridges: Vec<BridgeState>,
    trajectories: Vec<Vec<Breakpoint>>,
}

fn turned_round(order: BitOrder, bytes: Vec<u8>) -> Vec<u8> {
    match order {
        BitOrder::MsbFirst => bytes,
        BitOrder::LsbFirst => bytes.into_iter().map(u8::reverse_bits).collect(),
    }
}

fn operations<'a>(ops: &'a [Op], buffers: &'a mut [Vec<u8>]) -> Vec<Operation<'a, u8>> {
    let operation = |(op, buffer): (&'a Op, &'a mut Vec<u8>)| match op {
        Op::Write(bytes) => Operation::Write(bytes),
        Op::Read(_) => Operation::Read(buffer),
        Op::Transfer(_, bytes) => Operation::Transfer(buffer, bytes),
        Op::InPlace(_) => Operation::TransferInPlace(buffer),
        Op::DelayNs(duration_ns) => Operation::DelayNs(*duration_ns),
    };
    ops.iter().zip(buffers).map(operation).collect()
}

//! What the devices of one chain are: all of one kind, or each of a kind of its own on one common wire.
//!
//! In a daisy chain every device is clocked, selected and shifted through alike, so unlike devices can share one only
//! if they have the same *wire form*: units of one width, one SPI mode, one bit order, one framing. What only concerns
//! how a device reads its own unit may differ. [`Devices::validate`] decides which is which:
//!
//! | of the wire | in one chain |
//! | --- | --- |
//! | unit width, SPI mode, bit order, framing | must be alike: [`ChainFlaw::WireForm`] |
//! | fastest clock | the slowest of them holds |
//! | shortest time deselected | the longest of them holds |
//! | spare clocks | refused if any device refuses them |
//! | filler, idle reply, check, reply timing, shared writes | each device has its own |
//!
//! Registers, commands, status, axes, drive and counter are each device's own anyway.

use core::fmt;

use super::flaw::{Flaw, Part, Parts, padded};
use super::layout::{Layout, RegisterMap};
use super::message::Message;
use super::wire::{BitOrder, Framing, SpareClocks, SpiMode, Wire};

use Part::{Number, Text};

/// The devices of one chain, as plain data: any number of one kind, or one layout for each of them.
///
/// ```
/// use stepchain::map::{ChainFlaw, Devices, Layout, Piece, WireDifference, Wire};
///
/// const AXIS: Layout = Layout::new("axis", Wire::latched_units(8, &[Piece::fixed(8, 0)]).timing(2_000_000, 500));
/// const VALVE: Layout = Layout::new("valve", Wire::latched_units(8, &[Piece::fixed(8, 0xFF)]));
/// const WIDE: Layout = Layout::new("wide", Wire::latched_units(16, &[Piece::fixed(16, 0)]));
///
/// let devices = Devices::unlike(&[&AXIS, &VALVE, &AXIS]);
/// assert_eq!(devices.validate_for(3), Ok(()));
/// assert_eq!((devices.max_clock_hz(), devices.min_deselect_ns()), (1_000_000, 1_000));
///
/// let difference = WireDifference::UnitBits { found: 16, expected: 8 };
/// let flaw = ChainFlaw::WireForm { device: 1, name: "wide", difference };
/// assert_eq!(Devices::unlike(&[&AXIS, &WIDE]).validate(), Err(flaw));
/// assert_eq!(flaw.to_string(), "device 1 (`wide`): its unit has 16 bits, that of device 0 has 8");
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Devices {
    /// Of device 0.
    first: &'static Layout,
    /// One for each device; `None` if any number of devices are like the first.
    each: Option<&'static [&'static Layout]>,
}

/// A type that stands for what the devices of one chain are like.
///
/// Every [`RegisterMap`] is one: a chain of any number of such devices. A type of its own stands for a chain of unlike
/// devices, with one layout for each of them, that of device 0 (the one at the controller's output) first:
///
/// ```
/// use stepchain::map::{ChainMap, Devices, Layout, Piece, RegisterMap, Wire};
/// # struct Lift;
/// # impl RegisterMap for Lift {
/// #     const LAYOUT: Layout = Layout::new("lift", Wire::latched_units(8, &[Piece::fixed(8, 0)]));
/// # }
/// # struct Gripper;
/// # impl RegisterMap for Gripper {
/// #     const LAYOUT: Layout = Layout::new("gripper", Wire::latched_units(8, &[Piece::fixed(8, 0xFF)]));
/// # }
///
/// /// A lift at each end and a gripper between them.
/// struct Machine;
/// impl ChainMap for Machine {
///     const DEVICES: Devices = Devices::unlike(&[&Lift::LAYOUT, &Gripper::LAYOUT, &Lift::LAYOUT]);
/// }
/// // For `cargo check` and editors; a `Chain` of them would not compile either if their wires did not agree.
/// const _: () = Machine::DEVICES.assert_valid_for(3);
/// ```
///
/// Another number of devices than of layouts does not compile, and neither do unlike wire forms:
///
/// ```compile_fail,E0080
/// # use embedded_hal_mock::eh1::spi::Mock;
/// use stepchain::Chain;
/// use stepchain::map::{ChainMap, Devices, RegisterMap};
/// use stepchain::reference::{FixedWord, Latched};
///
/// struct Machine;
/// impl ChainMap for Machine {
///     const DEVICES: Devices = Devices::unlike(&[&Latched::LAYOUT, &FixedWord::LAYOUT]);
/// }
/// let chain = Chain::<Machine, _, 2>::new(Mock::<u8>::new(&[]));
/// ```
pub trait ChainMap {
    /// The devices of the chain.
    const DEVICES: Devices;
}

impl<M: RegisterMap> ChainMap for M {
    const DEVICES: Devices = Devices::alike(&M::LAYOUT);
}

/// In what the wire form of a device differs from that of device 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum WireDifference {
    /// The width of a unit.
    UnitBits {
        /// Of the device.
        found: u8,
        /// Of device 0.
        expected: u8,
    },
    /// Clock polarity and phase.
    Mode {
        /// Of the device.
        found: SpiMode,
        /// Of device 0.
        expected: SpiMode,
    },
    /// Which bit of a unit leaves first.
    BitOrder {
        /// Of the device.
        found: BitOrder,
        /// Of device 0.
        expected: BitOrder,
    },
    /// What one chip-select release takes.
    Framing {
        /// Of the device.
        found: Framing,
        /// Of device 0.
        expected: Framing,
    },
}

/// Why devices cannot be a chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ChainFlaw {
    /// The layout of a device cannot be used.
    Device {
        /// The device.
        device: usize,
        /// What is wrong with its layout.
        flaw: Flaw,
    },
    /// The wire form of a device is not that of device 0.
    WireForm {
        /// The device.
        device: usize,
        /// The name of its layout.
        name: &'static str,
        /// What differs.
        difference: WireDifference,
    },
    /// There is not one layout for each device.
    Count {
        /// How many layouts there are.
        layouts: usize,
        /// How many devices.
        devices: usize,
    },
    /// There are no devices, or their frame cannot be made of whole bytes.
    Frame(Flaw),
}

impl Devices {
    /// Any number of devices of this kind.
    #[must_use]
    pub const fn alike(layout: &'static Layout) -> Self {
        Self { first: layout, each: None }
    }

    /// As many devices as there are layouts, that of device 0 first. Layouts may recur.
    #[must_use]
    pub const fn unlike(layouts: &'static [&'static Layout]) -> Self {
        // Refused by `validate`; it has no bits, so that nothing is done for it.
        const NOTHING: &Layout = &Layout::new("nothing", Wire::latched_units(0, &[]));
        let first = match layouts {
            [first, ..] => first,
            [] => NOTHING,
        };
        Self { first, each: Some(layouts) }
    }

    /// The layout of a device; that of device 0 for one that is not there.
    #[must_use]
    pub const fn layout(&self, device: usize) -> &'static Layout {
        match self.each {
            Some(each) => match each.split_at_checked(device) {
                Some((_, [layout, ..])) => layout,
                _ => self.first,
            },
            None => self.first,
        }
    }

    /// Whether all devices are of one kind, however many there are.
    #[must_use]
    pub const fn are_alike(&self) -> bool {
        self.each.is_none()
    }

    /// Checks each layout, and that they have one wire form.
    ///
    /// # Errors
    /// The first [`ChainFlaw`].
    pub const fn validate(&self) -> Result<(), ChainFlaw> {
        let mut rest = self.kinds();
        if rest.is_empty() {
            return Err(ChainFlaw::Frame(Flaw::NoDevices));
        }
        let mut device = 0;
        while let [layout, tail @ ..] = rest {
            if let Err(flaw) = layout.validate() {
                return Err(ChainFlaw::Device { device, flaw });
            }
            if let Some(difference) = difference(&layout.wire, &self.first.wire) {
                return Err(ChainFlaw::WireForm { device, name: layout.name, difference });
            }
            device += 1;
            rest = tail;
        }
        Ok(())
    }

    /// Checks that there are so many, and that they can be framed in whole bytes.
    ///
    /// What [`validate`](Self::validate) checks is not checked again.
    ///
    /// # Errors
    /// [`ChainFlaw::Count`], [`ChainFlaw::Frame`].
    pub const fn validate_count(&self, devices: usize) -> Result<(), ChainFlaw> {
        if let Some(each) = self.each
            && each.len() != devices
        {
            return Err(ChainFlaw::Count { layouts: each.len(), devices });
        }
        // What one device refuses is refused for all.
        let mut strictest = self.first;
        let mut rest = self.kinds();
        while let [layout, tail @ ..] = rest {
            if matches!(layout.wire.spare_clocks, SpareClocks::Refused) {
                strictest = layout;
            }
            rest = tail;
        }
        match strictest.validate_for(devices) {
            Ok(()) => Ok(()),
            Err(flaw) => Err(ChainFlaw::Frame(flaw)),
        }
    }

    /// Checks everything: [`validate`](Self::validate) and [`validate_count`](Self::validate_count).
    ///
    /// # Errors
    /// The first [`ChainFlaw`].
    pub const fn validate_for(&self, devices: usize) -> Result<(), ChainFlaw> {
        match self.validate() {
            Ok(()) => self.validate_count(devices),
            Err(flaw) => Err(flaw),
        }
    }

    /// Stops the compilation of a constant that evaluates it, with the flaw's message, if these are no chain of so many
    /// devices.
    ///
    /// # Panics
    /// If [`validate_for`](Self::validate_for) finds a flaw; meant for constants, where that is a compile error.
    #[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
    #[track_caller]
    pub const fn assert_valid_for(&self, devices: usize) {
        if self.are_alike() {
            self.first.assert_valid_for(devices);
        } else if let Err(flaw) = self.validate_for(devices) {
            panic!("{}", flaw.message().as_str());
        }
    }

    /// The SPI mode of all of them.
    #[must_use]
    pub const fn mode(&self) -> SpiMode {
        self.first.wire.mode
    }

    /// Bits in a unit of each of them.
    #[must_use]
    pub const fn unit_bits(&self) -> u8 {
        self.first.wire.unit_bits
    }

    /// Fastest clock that all of them bear, in hertz.
    #[must_use]
    pub const fn max_clock_hz(&self) -> u32 {
        let mut slowest = self.first.wire.max_clock_hz;
        let mut rest = self.kinds();
        while let [layout, tail @ ..] = rest {
            rest = tail;
            if layout.wire.max_clock_hz < slowest {
                slowest = layout.wire.max_clock_hz;
            }
        }
        slowest
    }

    /// Shortest time that chip select has to stay released between two frames for all of them, in nanoseconds.
    #[must_use]
    pub const fn min_deselect_ns(&self) -> u32 {
        let mut longest = self.first.wire.min_deselect_ns;
        let mut rest = self.kinds();
        while let [layout, tail @ ..] = rest {
            rest = tail;
            if layout.wire.min_deselect_ns > longest {
                longest = layout.wire.min_deselect_ns;
            }
        }
        longest
    }

    /// Whether spare clocks do harm to none of them.
    #[must_use]
    pub const fn spare_clocks(&self) -> SpareClocks {
        let mut spare_clocks = self.first.wire.spare_clocks;
        let mut rest = self.kinds();
        while let [layout, tail @ ..] = rest {
            rest = tail;
            if matches!(layout.wire.spare_clocks, SpareClocks::Refused) {
                spare_clocks = SpareClocks::Refused;
            }
        }
        spare_clocks
    }

    /// The most axes that one of them has.
    #[must_use]
    pub const fn most_axes(&self) -> u8 {
        let mut most = self.first.axes;
        let mut rest = self.kinds();
        while let [layout, tail @ ..] = rest {
            rest = tail;
            if layout.axes > most {
                most = layout.axes;
            }
        }
        most
    }

    /// How many units the longest command of any of them takes: see [`Layout::longest_word`].
    #[must_use]
    pub const fn longest_word(&self) -> u16 {
        let mut longest = self.first.longest_word();
        let mut rest = self.kinds();
        while let [layout, tail @ ..] = rest {
            rest = tail;
            let units = layout.longest_word();
            if units > longest {
                longest = units;
            }
        }
        longest
    }

    /// Bytes in the frame of so many of them, front padding included.
    #[must_use]
    pub const fn frame_bytes(&self, devices: usize) -> usize {
        self.first.frame_bytes(devices)
    }

    /// The layouts of all, or the one that all have.
    const fn kinds(&self) -> &[&'static Layout] {
        match self.each {
            Some(each) => each,
            None => core::slice::from_ref(&self.first),
        }
    }
}

impl From<&'static Layout> for Devices {
    /// Any number of devices of this kind.
    fn from(layout: &'static Layout) -> Self {
        Self::alike(layout)
    }
}

/// The first thing in which a wire's form is not as expected.
const fn difference(found: &Wire, expected: &Wire) -> Option<WireDifference> {
    if found.unit_bits != expected.unit_bits {
        return Some(WireDifference::UnitBits { found: found.unit_bits, expected: expected.unit_bits });
    }
    if found.mode as u8 != expected.mode as u8 {
        return Some(WireDifference::Mode { found: found.mode, expected: expected.mode });
    }
    if found.bit_order as u8 != expected.bit_order as u8 {
        return Some(WireDifference::BitOrder { found: found.bit_order, expected: expected.bit_order });
    }
    if found.framing as u8 != expected.framing as u8 {
        return Some(WireDifference::Framing { found: found.framing, expected: expected.framing });
    }
    None
}

/// What a count is in a message.
const fn number(count: usize) -> Part {
    Number(if count < u32::MAX as usize { count as u32 } else { u32::MAX })
}

impl ChainFlaw {
    /// Without what is wrong with the layout of one device, which has a message of its own.
    const fn parts(self) -> Parts {
        match self {
            Self::Device { device, .. } => padded(&[Text("device "), number(device), Text(": ")]),
            Self::WireForm { device, name, difference } => {
                let (differs, found, mid, expected) = match difference {
                    WireDifference::UnitBits { found, expected } => (
                        "`): its unit has ",
                        Number(found as u32),
                        " bits, that of device 0 has ",
                        Number(expected as u32),
                    ),
                    WireDifference::Mode { found, expected } => (
                        "`): its SPI mode is ",
                        Number(found as u32),
                        ", that of device 0 is ",
                        Number(expected as u32),
                    ),
                    WireDifference::BitOrder { found, expected } => {
                        ("`): it takes the ", order(found), " bit first, device 0 the ", order(expected))
                    }
                    WireDifference::Framing { found, expected } => {
                        ("`): it takes ", framing(found), ", device 0 takes ", framing(expected))
                    }
                };
                padded(&[
                    Text("device "),
                    number(device),
                    Text(" (`"),
                    Text(name),
                    Text(differs),
                    found,
                    Text(mid),
                    expected,
                ])
            }
            Self::Count { layouts, devices } => padded(&[
                Text("there are layouts for "),
                number(layouts),
                Text(" devices, and the chain has "),
                number(devices),
            ]),
            Self::Frame(_) => padded(&[]),
        }
    }

    const fn flaw(self) -> Option<Flaw> {
        match self {
            Self::Device { flaw, .. } | Self::Frame(flaw) => Some(flaw),
            Self::WireForm { .. } | Self::Count { .. } => None,
        }
    }

    /// The message as text, built without allocation and at compile time if need be.
    #[must_use]
    pub const fn message(self) -> Message {
        let mut message = Message::of(&[]);
        message.push_parts(&self.parts());
        if let Some(flaw) = self.flaw() {
            message.push_parts(&flaw.parts());
        }
        message
    }
}

const fn order(order: BitOrder) -> Part {
    Text(match order {
        BitOrder::MsbFirst => "most significant",
        BitOrder::LsbFirst => "least significant",
    })
}

const fn framing(framing: Framing) -> Part {
    Text(match framing {
        Framing::LatchedUnits => "latched units",
        Framing::FixedWord => "fixed words",
    })
}

impl fmt::Display for ChainFlaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.parts().iter().try_for_each(|part| part.fmt(f))?;
        self.flaw().map_or(Ok(()), |flaw| flaw.fmt(f))
    }
}

impl core::error::Error for ChainFlaw {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Device { flaw, .. } | Self::Frame(flaw) => Some(flaw),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests;

//! The script: faults with their starts, durations and seeds, and what is wrong with those that cannot be.

use super::error::InjectError;
use super::{Bits, Fault, Line};

/// When a fault begins. Events count from when the chain has taken the script.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Start {
    /// At this instant of virtual time, in nanoseconds; at once if that is past.
    At(u64),
    /// As chip select falls for this frame, counted from 0 at power-up.
    Frame(u64),
    /// When an axis begins to move from standstill, for the so-many-th time, from 1.
    Motion {
        /// The device.
        device: usize,
        /// Its axis.
        axis: usize,
        /// Which of its motions.
        nth: u64,
    },
    /// When an axis counts its way to a position, in full steps of its count without wrap-around. To be there already, or
    /// to be given that number, does not count.
    Position {
        /// The device.
        device: usize,
        /// Its axis.
        axis: usize,
        /// The position.
        steps: f64,
    },
    /// When an axis is as fast as this in either direction, in full steps/s; at once if it is.
    Velocity {
        /// The device.
        device: usize,
        /// Its axis.
        axis: usize,
        /// The velocity.
        steps_per_s: f64,
    },
}

/// How long a fault lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Lasts {
    /// It is over as it begins: a reset; a condition that is noticed and gone.
    Instant,
    /// So many nanoseconds. What happens at the instant of the end is spared.
    Ns(u64),
    /// Until chip select is released for the so-many-th time: a frame in which it begins is the first.
    Frames(u64),
    /// To the end.
    ForEver,
}

/// One fault of a script.
#[derive(Clone, Debug, PartialEq)]
pub struct Injection {
    /// What goes wrong.
    pub fault: Fault,
    /// From when.
    pub start: Start,
    /// For how long.
    pub lasts: Lasts,
    /// What settles the draws of this fault; faults with equal seeds draw alike.
    pub seed: u64,
}

/// Faults and when they happen. Each has its own generator, so what one draws does not hang on the others.
///
/// ```
/// use stepchain::{map::RegisterMap, reference::Latched};
/// use stepchain_sim::chain::VirtualChain;
/// use stepchain_sim::inject::{Bits, DataLine, Fault, Lasts, Script, Start};
///
/// let chain = VirtualChain::new(&Latched::LAYOUT, 2)?;
/// let noise = Fault::BitFlips { line: DataLine::Miso, bits: Bits::Each(0.01) };
/// chain.inject(
///     &Script::new()
///         .with(noise, Start::Frame(10), Lasts::Frames(5), 1)
///         .with(Fault::Undervoltage { device: 1 }, Start::At(2_000_000_000), Lasts::Ns(50_000), 2),
/// )?;
/// chain.advance_ns(2_000_020_000);
/// assert_eq!([0, 1].map(|device| chain.status(device) >> 12 & 1), [0, 1]);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Script {
    injections: Vec<Injection>,
}

impl Script {
    /// A script without faults.
    #[must_use]
    pub const fn new() -> Self {
        Self { injections: Vec::new() }
    }

    /// The same with one more fault.
    #[must_use]
    pub fn with(mut self, fault: Fault, start: Start, lasts: Lasts, seed: u64) -> Self {
        self.injections.push(Injection { fault, start, lasts, seed });
        self
    }

    /// The faults in the order in which they were given.
    #[must_use]
    pub fn injections(&self) -> &[Injection] {
        &self.injections
    }

    /// Whether a chain whose devices have these numbers of axes can carry it out.
    ///
    /// # Errors
    /// The first [`InjectError`].
    pub fn check(&self, axes: &[usize]) -> Result<(), InjectError> {
        self.injections.iter().try_for_each(|injection| injection.check(axes))
    }
}

impl FromIterator<Injection> for Script {
    fn from_iter<I: IntoIterator<Item = Injection>>(injections: I) -> Self {
        Self { injections: injections.into_iter().collect() }
    }
}

impl Extend<Injection> for Script {
    fn extend<I: IntoIterator<Item = Injection>>(&mut self, injections: I) {
        self.injections.extend(injections);
    }
}

impl Injection {
    fn check(&self, axes: &[usize]) -> Result<(), InjectError> {
        let devices = axes.len();
        let there = |device: usize, axis: usize| match axes.get(device) {
            None => Err(InjectError::NoSuchDevice { device, devices }),
            Some(&axes) if axis >= axes => Err(InjectError::NoSuchAxis { device, axis, axes }),
            Some(_) => Ok(()),
        };
        if let Some(device) = self.fault.device() {
            there(device, self.fault.axis().unwrap_or(0))?;
        }
        match &self.fault {
            Fault::BitFlips { bits: Bits::Each(probability), .. } if !(0.0..=1.0).contains(probability) => {
                return Err(InjectError::NoProbability { found: *probability });
            }
            Fault::BitFlips { bits: Bits::At(places), .. } if places.is_empty() => return Err(InjectError::NoEffect),
            Fault::LostClocks { count: 0 } | Fault::ExtraClocks { count: 0 } => return Err(InjectError::NoEffect),
            Fault::StuckLine { line: Line::Behind(device), .. } if device.saturating_add(1) >= devices => {
                return Err(InjectError::NothingBehind { device: *device, devices });
            }
            _ => {}
        }
        match self.start {
            Start::At(_) | Start::Frame(_) => {}
            Start::Motion { device, axis, nth } => {
                there(device, axis)?;
                if nth == 0 {
                    return Err(InjectError::NoMotion);
                }
            }
            Start::Position { device, axis, steps } => {
                there(device, axis)?;
                if !steps.is_finite() {
                    return Err(InjectError::NoNumber { found: steps });
                }
            }
            Start::Velocity { device, axis, steps_per_s } => {
                there(device, axis)?;
                if !(steps_per_s.is_finite() && steps_per_s > 0.0) {
                    return Err(InjectError::NoVelocity { found: steps_per_s });
                }
            }
        }
        let is_instant = matches!(self.lasts, Lasts::Instant | Lasts::Ns(0) | Lasts::Frames(0));
        // A device notices these however short they are.
        let strikes_at_once =
            matches!(self.fault, Fault::ResetNode { .. } | Fault::Undervoltage { .. } | Fault::Overheating { .. });
        if is_instant && !strikes_at_once { Err(InjectError::NoEffect) } else { Ok(()) }
    }
}

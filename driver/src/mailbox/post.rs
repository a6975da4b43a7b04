//! The mailbox itself and its posters' side.

use core::cell::RefCell;
use core::fmt;

use critical_section::Mutex;
use heapless::Deque;

use crate::command::{AxisCommand, Command};
use crate::units::Velocity;

use super::queue::{Posted, Queues, Ticket, push_latest};

/// Commands that wait for a chain of `N` devices, up to `DEPTH` for each of the `AXES` axes of a device.
///
/// Meant to be a `static`: every call takes `&self`. Takes 20 bytes for each of N·(`AXES`·`DEPTH` + 1) commands, and on a
/// 32-bit processor about 16 more for each of N·`AXES` queues. See the [module](super) for what holds.
///
/// ```
/// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
/// use stepchain::map::{BridgeState, StopRamp};
/// use stepchain::reference::Latched;
/// use stepchain::{Chain, Command, Mailbox};
///
/// static MAILBOX: Mailbox<2, 4> = Mailbox::new();
///
/// # let frame = |mosi: [u8; 4], miso: [u8; 4]| [
/// #     Transaction::transaction_start(),
/// #     Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec()),
/// #     Transaction::transaction_end(),
/// # ];
/// # let look = [frame([0xE0, 0, 0xE0, 0], [0; 4]), frame([0x7E; 4], [0x80, 0x01, 0x80, 0x01])].concat();
/// # let spi = Mock::new(&[&frame([0x4D, 0x5A, 0x3A, 0x18], [0; 4])[..], &look].concat());
/// let mut chain = Chain::<Latched, _, 2>::new(spi);
/// // In an interrupt:
/// MAILBOX.post(0, Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven })?;
/// // In a task:
/// let ticket = MAILBOX.post(1, Command::HomeOnCurrentPosition)?;
/// // In the owner's loop: both leave in one frame, and a look tells whether they were refused.
/// let answers = MAILBOX.pump(&mut chain)?;
/// let answer = answers[1].unwrap();
/// assert_eq!((answer.posted.ticket, answer.result.is_ok()), (ticket, true));
/// # chain.release().done();
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct Mailbox<const N: usize, const DEPTH: usize, const AXES: usize = 1> {
    state: Mutex<RefCell<State<N, DEPTH, AXES>>>,
}

#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct State<const N: usize, const DEPTH: usize, const AXES: usize> {
    pub(super) devices: [Queues<DEPTH, AXES>; N],
    next: Ticket,
}

impl<const N: usize, const DEPTH: usize, const AXES: usize> State<N, DEPTH, AXES> {
    fn number(&mut self, command: AxisCommand) -> Posted {
        let ticket = self.next;
        self.next = ticket.next();
        Posted { ticket, command }
    }
}

/// Why a command was not posted; it is in the error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PostError {
    /// The axis has as many commands waiting as the mailbox holds.
    Full {
        /// The device.
        device: usize,
        /// The command that found no place.
        command: AxisCommand,
    },
    /// The mailbox has no such device.
    NoSuchDevice {
        /// The device asked for.
        device: usize,
        /// How many there are.
        devices: usize,
        /// The command.
        command: AxisCommand,
    },
    /// The mailbox has no queue for such an axis.
    NoSuchAxis {
        /// The device.
        device: usize,
        /// How many axes each has.
        axes: usize,
        /// The command, with the axis asked for.
        command: AxisCommand,
    },
}

impl PostError {
    /// The command that was not posted.
    #[must_use]
    pub const fn command(&self) -> AxisCommand {
        match self {
            Self::Full { command, .. } | Self::NoSuchDevice { command, .. } | Self::NoSuchAxis { command, .. } => {
                *command
            }
        }
    }
}

impl fmt::Display for PostError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Full { device, command } => {
                write!(f, "device {device}, axis {}: the mailbox holds no more commands", command.axis)
            }
            Self::NoSuchDevice { device, devices, .. } => {
                write!(f, "device {device}: the mailbox has only {devices}, counted from 0")
            }
            Self::NoSuchAxis { device, axes, command } => {
                write!(f, "device {device}: the mailbox has no axis {}, only {axes}, counted from 0", command.axis)
            }
        }
    }
}

impl core::error::Error for PostError {}

impl<const N: usize, const DEPTH: usize, const AXES: usize> Mailbox<N, DEPTH, AXES> {
    /// A mailbox with nothing in it.
    ///
    /// A mailbox without a device, an axis or a place does not compile:
    ///
    /// ```compile_fail,E0080
    /// static MAILBOX: stepchain::Mailbox<2, 0> = stepchain::Mailbox::new();
    /// ```
    #[must_use]
    pub const fn new() -> Self {
        const {
            assert!(N > 0, "a mailbox needs at least one device");
            assert!(DEPTH > 0, "a mailbox needs room for at least one command of each axis");
            assert!(AXES > 0 && AXES <= 256, "a mailbox needs 1 to 256 axes in each device");
        }
        let devices = [const { Queues::EMPTY }; N];
        Self { state: Mutex::new(RefCell::new(State { devices, next: Ticket::FIRST })) }
    }

    /// Posts a command behind those that wait for the same device and axis.
    ///
    /// Filler asks for nothing, and takes no place.
    ///
    /// # Errors
    /// [`PostError`], which gives the command back, if the queue is full or there is none.
    pub fn post(&self, device: usize, command: impl Into<AxisCommand>) -> Result<Ticket, PostError> {
        self.push(device, command.into(), Deque::push_back)
    }

    /// Posts a velocity in the place of one that still waits for the same device and axis, if there is one and nothing
    /// but questions (reads of parameters, of the status) was posted after it; else as [`post`](Self::post).
    ///
    /// For a source that has a new velocity often, such as a joystick: only the newest is worth sending, and a slow
    /// owner does not fill the queue. A stop, a move or a setting posted between the two is not overtaken, and a
    /// velocity that has been taken already is not replaced. The ticket of the replaced one never comes back.
    ///
    /// # Errors
    /// As [`post`](Self::post).
    pub fn post_latest(&self, device: usize, axis: u8, velocity: Velocity) -> Result<Ticket, PostError> {
        self.push(device, Command::MoveVelocity { velocity }.on(axis), push_latest)
    }

    /// Posts a command for each device, all of them or none; a device whose command is filler gets none.
    ///
    /// They are there for the owner in the same instant, so they leave together where nothing else waits for any of
    /// the devices; where something does, each leaves in its own turn.
    ///
    /// # Errors
    /// As [`post`](Self::post), for the first device that cannot take its command.
    pub fn post_together<C>(&self, commands: &[C; N]) -> Result<[Option<Ticket>; N], PostError>
    where
        C: Copy + Into<AxisCommand>,
    {
        let commands = commands.map(Into::into);
        let mut tickets = [None; N];
        let refused = self.with(|state| {
            for (device, (queues, command)) in state.devices.iter_mut().zip(commands).enumerate() {
                if command.command == Command::Filler {
                    continue;
                }
                match queues.axis(command.axis) {
                    None => return Some(PostError::NoSuchAxis { device, axes: AXES, command }),
                    Some(queue) if queue.is_full() => return Some(PostError::Full { device, command }),
                    Some(_) => {}
                }
            }
            for (device, (ticket, command)) in tickets.iter_mut().zip(commands).enumerate() {
                if command.command == Command::Filler {
                    continue;
                }
                let posted = state.number(command);
                if let Some(queue) = state.devices.get_mut(device).and_then(|queues| queues.axis(command.axis)) {
                    *ticket = queue.push_back(posted).is_ok().then_some(posted.ticket);
                }
            }
            None
        });
        match refused.flatten() {
            Some(error) => Err(error),
            None => Ok(tickets),
        }
    }

    fn push(
        &self,
        device: usize,
        command: AxisCommand,
        push: fn(&mut Deque<Posted, DEPTH>, Posted) -> Result<(), Posted>,
    ) -> Result<Ticket, PostError> {
        let pushed = self.with(|state| {
            let posted = state.number(command);
            let Some(queues) = state.devices.get_mut(device) else {
                return Err(PostError::NoSuchDevice { device, devices: N, command });
            };
            let Some(queue) = queues.axis(command.axis) else {
                return Err(PostError::NoSuchAxis { device, axes: AXES, command });
            };
            if command.command == Command::Filler {
                return Ok(posted.ticket);
            }
            push(queue, posted).map_err(|_| PostError::Full { device, command })?;
            Ok(posted.ticket)
        });
        pushed.unwrap_or(Err(PostError::Full { device, command }))
    }

    /// Does some work on the state with interrupts off; always `Some`.
    ///
    /// No work here calls back into the mailbox, so the state cannot be borrowed already; the compiler cannot know, and
    /// a panic in an interrupt would be worse than an error that never comes.
    pub(super) fn with<R>(&self, work: impl FnOnce(&mut State<N, DEPTH, AXES>) -> R) -> Option<R> {
        critical_section::with(|cs| self.state.borrow(cs).try_borrow_mut().ok().map(|mut state| work(&mut state)))
    }
}

impl<const N: usize, const DEPTH: usize, const AXES: usize> Default for Mailbox<N, DEPTH, AXES> {
    fn default() -> Self {
        Self::new()
    }
}

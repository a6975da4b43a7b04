//! What interrupts leave for the one owner of the chain: keys, the wheel and the look timer post commands here.
//!
//! ```text
//!   look timer   a peek at the status of every device            \
//!   stop key     a stop for every device                          >  Mailbox  ->  AsyncPicker, which pumps it
//!   wheel        a velocity of the carriage, the newest alone    /
//! ```
//!
//! Every handler does its work within one critical section of a bounded length and touches neither bus nor pins. May be
//! called from any interrupt of any priority.

use core::cell::Cell;

use critical_section::Mutex;
use stepchain::map::{BridgeState, StopRamp};
use stepchain::units::Velocity;
use stepchain::{Command, Mailbox};

use crate::machine::{CARRIAGE, DEVICES};

/// What all axes are told by the stop key, and by the machine itself where it goes wrong.
pub(crate) const STOP: Command = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };

/// Commands that may wait for one device: a look, the newest velocity, and stops behind them, which leave nothing to lose
/// when they are too many.
const ROOM: usize = 4;
/// Full steps/s for each notch of the wheel.
const NOTCH: i32 = 50;
/// Notches beyond which the wheel turns in vain.
const MOST_NOTCHES: i32 = 8;

/// What an interrupt is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Interrupt {
    /// It is time to look how the devices are.
    Look,
    /// The stop key was pressed.
    StopKey,
    /// The wheel was turned by one notch.
    Wheel {
        /// In which direction.
        is_up: bool,
    },
}

/// The mailbox, and what keys and wheel have to remember.
#[derive(Debug)]
pub struct Desk {
    mailbox: Mailbox<DEVICES, ROOM>,
    state: Mutex<Cell<State>>,
}

#[derive(Clone, Copy, Debug)]
struct State {
    /// A look waits for the owner: a second one would tell it nothing more.
    look_waits: bool,
    /// The stop key was pressed, and the owner does not know yet.
    is_stopped: bool,
    /// How far the wheel is turned; none while it has no say.
    notches: Option<i32>,
}

impl Desk {
    /// A desk that nobody has touched.
    #[must_use]
    pub const fn new() -> Self {
        let state = State { look_waits: false, is_stopped: false, notches: None };
        Self { mailbox: Mailbox::new(), state: Mutex::new(Cell::new(state)) }
    }

    /// What the handler of an interrupt does.
    pub fn interrupt(&self, interrupt: Interrupt) {
        // One section for state and post: a stop that comes between the two must not be followed by a velocity.
        self.change(|state| match interrupt {
            Interrupt::Look => {
                if !state.look_waits {
                    state.look_waits = self.mailbox.post_together(&[Command::PeekStatus; DEVICES]).is_ok();
                }
            }
            Interrupt::StopKey => {
                state.notches = None;
                state.is_stopped = true;
                // Where it finds no place there are stops already.
                let _ = self.mailbox.post_together(&[STOP; DEVICES]);
            }
            Interrupt::Wheel { is_up } => {
                if let Some(notches) = state.notches.as_mut() {
                    let turned = if is_up { notches.saturating_add(1) } else { notches.saturating_sub(1) };
                    *notches = turned.clamp(-MOST_NOTCHES, MOST_NOTCHES);
                    let velocity = Velocity::from_steps_per_s(*notches * NOTCH).unwrap_or_default();
                    // A wheel has turned on before anybody could tell it that its place was taken.
                    let _ = self.mailbox.post_latest(CARRIAGE, 0, velocity);
                }
            }
        });
    }

    /// Gives the wheel a say.
    pub(crate) fn listen_to_wheel(&self) {
        self.change(|state| state.notches = Some(0));
    }

    /// Whether the stop key was pressed.
    pub(crate) fn is_stopped(&self) -> bool {
        self.change(|state| state.is_stopped)
    }

    /// Whether the stop key was pressed since this was last asked.
    pub(crate) fn take_stop(&self) -> bool {
        self.change(|state| core::mem::take(&mut state.is_stopped))
    }

    /// The look that waited was pumped.
    pub(crate) fn has_looked(&self) {
        self.change(|state| state.look_waits = false);
    }

    pub(crate) const fn mailbox(&self) -> &Mailbox<DEVICES, ROOM> {
        &self.mailbox
    }

    fn change<R>(&self, change: impl FnOnce(&mut State) -> R) -> R {
        critical_section::with(|cs| {
            let cell = self.state.borrow(cs);
            let mut state = cell.get();
            let result = change(&mut state);
            cell.set(state);
            result
        })
    }
}

impl Default for Desk {
    fn default() -> Self {
        Self::new()
    }
}

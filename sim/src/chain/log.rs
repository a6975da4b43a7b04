//! The log of a chain: what has happened, in the order of time, as entries and as text.
//!
//! It grows: an entry or two for each command, some ten for each motion, two for each flag that goes up and down; none
//! for filler, for steps, or for time that passes. Whoever runs for days forgets now and then what has been read.

use super::VirtualChain;
use crate::device::Event;

impl VirtualChain {
    /// What has happened since power-up, in the order of time, but for what was [forgotten](Self::forget_events).
    #[must_use]
    pub fn events(&self) -> Vec<Event> {
        self.events_since(0)
    }

    /// How many things have happened since power-up, the forgotten ones too: a mark for
    /// [`events_since`](Self::events_since).
    #[must_use]
    pub fn event_count(&self) -> usize {
        let mut world = self.world();
        world.catch_up();
        world.forgotten + world.events.len()
    }

    /// What has happened since a mark, in the order of time; costs no more than what it gives.
    ///
    /// ```
    /// use embedded_hal::spi::SpiDevice;
    /// use stepchain::{map::RegisterMap, reference::Latched};
    /// use stepchain_sim::chain::VirtualChain;
    ///
    /// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
    /// let mark = chain.event_count();
    /// chain.spi().write(&[0x00, 0x00]).unwrap();
    /// let unknown = &chain.events_since(mark)[0];
    /// assert_eq!(unknown.to_string(), "            3_200  0     unknown    0x0");
    /// # Ok::<(), stepchain::map::Flaw>(())
    /// ```
    #[must_use]
    pub fn events_since(&self, mark: usize) -> Vec<Event> {
        let mut world = self.world();
        world.catch_up();
        let first = mark.saturating_sub(world.forgotten);
        world.events.get(first..).unwrap_or_default().to_vec()
    }

    /// Forgets what has happened so far; marks keep their meaning.
    pub fn forget_events(&self) {
        let mut world = self.world();
        world.catch_up();
        world.forgotten += world.events.len();
        world.events.clear();
    }

    /// The log as text, one line for each entry, as [`Event`] is shown: to look at, and to compare with a file.
    ///
    /// The same chain and the same calls give the same text on any machine.
    #[must_use]
    pub fn log_text(&self) -> String {
        self.events().iter().map(|event| format!("{event}\n")).collect()
    }
}

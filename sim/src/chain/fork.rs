//! Branches of a run: the same chain, continued in two ways.

use std::sync::{Arc, Mutex};

use super::VirtualChain;
use super::agenda::Agenda;

impl VirtualChain {
    /// Another chain in the very state of this one: time, registers, motion, bits under way, scripts that are
    /// played, log. From now on nothing
    /// that happens to the one touches the other, and each has handles of its own. Futures that wait stay with this one.
    ///
    /// ```
    /// use embedded_hal::spi::SpiDevice;
    /// use stepchain::{map::RegisterMap, reference::Latched};
    /// use stepchain_sim::chain::VirtualChain;
    ///
    /// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
    /// // 1000 microsteps at the settings of power-up.
    /// let go = |chain: &VirtualChain| [[0x68, 0x00], [0x03, 0xE8]].iter().for_each(|unit| chain.spi().write(unit).unwrap());
    /// let late = chain.fork();
    /// late.advance_ns(1_000_000);
    /// go(&chain);
    /// go(&late);
    /// for branch in [&chain, &late] {
    ///     branch.run_until_still(1_000_000_000);
    /// }
    /// assert_eq!(late.now_ns() - chain.now_ns(), 1_000_000, "a command 1 ms later ends 1 ms later");
    /// # Ok::<(), stepchain::map::Flaw>(())
    /// ```
    #[must_use]
    pub fn fork(&self) -> Self {
        let mut world = self.world().clone();
        // Whoever waits, waits for the old chain.
        world.agenda = Agenda::default();
        Self { world: Arc::new(Mutex::new(world)) }
    }
}

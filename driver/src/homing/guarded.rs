//! Homing a guarded chain: no guard is asked, and those of the axes that were homed are told where they are.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

#[cfg(feature = "async")]
use crate::chain::AsyncChain;
use crate::chain::Chain;
use crate::map::ChainMap;
use crate::table::Kinds;
use crate::track::{Doubt, Guard, GuardedChain, GuardedError};

use super::procedure::Homing;

impl<M: ChainMap, S: SpiDevice, const N: usize, const G: usize> GuardedChain<Chain<M, S, N>, G> {
    /// Homes axes, by commands that no guard is asked about: homing has travel limits of its own. The guards of the axes
    /// that it has homed know where they are then; until they are, and where homing fails, their position is unknown.
    ///
    /// # Errors
    /// [`GuardedError::Chain`] as of [`Chain::run`]; how it went is in [`Homing::results`].
    pub fn home<const K: usize, D: Kinds>(
        &mut self,
        homing: &mut Homing<K, N, D>,
        delay: &mut impl DelayNs,
    ) -> Result<(), GuardedError<S::Error>> {
        let (chain, guards) = self.parts_mut();
        let were_done = begin(guards, homing);
        let outcome = chain.run(homing, delay);
        end(guards, homing, were_done);
        outcome.map_err(GuardedError::Chain)
    }
}

#[cfg(feature = "async")]
impl<M: ChainMap, S: embedded_hal_async::spi::SpiDevice, const N: usize, const G: usize>
    GuardedChain<AsyncChain<M, S, N>, G>
{
    /// As that of a blocking chain. If the future is dropped, the position of the axes is unknown.
    ///
    /// # Errors
    /// As there.
    pub async fn home<const K: usize, D: Kinds>(
        &mut self,
        homing: &mut Homing<K, N, D>,
        delay: &mut impl embedded_hal_async::delay::DelayNs,
    ) -> Result<(), GuardedError<S::Error>> {
        let (chain, guards) = self.parts_mut();
        let were_done = begin(guards, homing);
        let outcome = chain.run(homing, delay).await;
        end(guards, homing, were_done);
        outcome.map_err(GuardedError::Chain)
    }
}

/// Which axes are homed already: they are not homed again, and their guards are left as they are.
fn begin<const K: usize, const N: usize, D: Kinds>(guards: &mut [Guard], homing: &Homing<K, N, D>) -> [bool; K] {
    let are_done = homing.results().map(|result| result.is_ok());
    for (place, _) in homing.places().into_iter().zip(are_done).filter(|(_, is_done)| !is_done) {
        guards
            .iter_mut()
            .filter(|guard| place == (guard.device, guard.axis))
            .for_each(|guard| guard.lose(Doubt::Withdrawn));
    }
    are_done
}

fn end<const K: usize, const N: usize, D: Kinds>(guards: &mut [Guard], homing: &Homing<K, N, D>, were_done: [bool; K]) {
    let results = homing.places().into_iter().zip(homing.results()).zip(were_done);
    for ((place, result), _) in results.filter(|(_, was_done)| !was_done) {
        for guard in guards.iter_mut().filter(|guard| place == (guard.device, guard.axis)) {
            if let Ok(homed) = result {
                guard.tracker.homed_at(homed.counter, homed.at);
            }
        }
    }
}

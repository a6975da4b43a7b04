//! The contact of a switch that bounces: from when the contact changes to what its input shows meanwhile.
//!
//! ```text
//!   contact   ____|‾‾‾‾‾‾‾‾‾‾‾‾‾‾‾‾
//!   input     ____|‾|__|‾‾|_|‾‾‾‾‾     bounces: 2, all within the duration
//! ```
//!
//! The input follows the contact at the very instant of its change. Then it falls back and returns a number of times, at
//! instants that chance settles when the contact changes: the seed and the number of changes before it say all, so the
//! same run bounces alike on any machine. A contact that changes while it still bounces begins anew.

/// How a contact bounces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bounce {
    /// By when the input is at rest after a change of the contact, in nanoseconds.
    pub duration_ns: u64,
    /// How often it falls back and returns meanwhile; not more often than every nanosecond.
    pub bounces: u32,
    /// Chance: another seed, other instants.
    pub seed: u64,
}

impl Bounce {
    /// Instants at which the input changes after a change of the contact, the `nth` one, in the order of time.
    fn changes_ns(&self, now_ns: u64, nth: u64) -> Vec<u64> {
        let changes = (2 * u64::from(self.bounces)).min(self.duration_ns / 2 * 2);
        // Each falls into a slot of its own, so no two coincide and all are in order.
        let slot_ns = self.duration_ns.checked_div(changes).unwrap_or(0);
        (0..changes)
            .map(|change| {
                let chance = mixed(mixed(self.seed ^ mixed(nth)).wrapping_add(change));
                let within_ns = ((u128::from(chance) * u128::from(slot_ns)) >> 64) as u64;
                now_ns.saturating_add(change * slot_ns + within_ns + 1)
            })
            .collect()
    }
}

/// The contact and the input that it is wired to.
#[derive(Clone, Debug, Default)]
pub(super) struct Contact {
    bounce: Option<Bounce>,
    closed: bool,
    changes: u64,
    /// When the input changes, or has changed, since the contact did; an even number of instants.
    input_changes_ns: Vec<u64>,
}

impl Contact {
    /// The contact bounces so from its next change on; what bounces now comes to rest.
    pub(super) fn set_bounce(&mut self, bounce: Option<Bounce>) {
        self.bounce = bounce;
        self.input_changes_ns.clear();
    }

    /// The contact is closed or open now.
    pub(super) fn set(&mut self, now_ns: u64, closed: bool) {
        if closed != self.closed {
            self.closed = closed;
            self.changes += 1;
            self.input_changes_ns = self.bounce.map_or(Vec::new(), |bounce| bounce.changes_ns(now_ns, self.changes));
        }
    }

    /// The contact is closed or open, and has been so for long: it was only looked at in another way.
    pub(super) fn correct(&mut self, closed: bool) {
        self.closed = closed;
    }

    /// What the input shows at an instant at which the contact is so.
    pub(super) fn shows(&self, closed: bool, now_ns: u64) -> bool {
        closed ^ (self.input_changes_ns.partition_point(|&change_ns| change_ns <= now_ns) % 2 == 1)
    }

    /// When the input changes next of itself.
    pub(super) fn next_change_after(&self, now_ns: u64) -> Option<u64> {
        self.input_changes_ns.iter().copied().find(|&change_ns| change_ns > now_ns)
    }
}

/// The finishing steps of SplitMix64 (Steele, Lea and Flood 2014, from memory).
fn mixed(number: u64) -> u64 {
    let mixed = number.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ mixed >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    mixed ^ mixed >> 31
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOUNCE: Bounce = Bounce { duration_ns: 1_000_000, bounces: 5, seed: 7 };

    #[test]
    fn a_contact_bounces_as_often_as_told_and_is_at_rest_in_time() {
        let mut contact = Contact::default();
        contact.set_bounce(Some(BOUNCE));
        contact.set(10_000_000, true);
        let (mut now_ns, mut shown) = (10_000_000, vec![contact.shows(true, 10_000_000)]);
        while let Some(next_ns) = contact.next_change_after(now_ns) {
            now_ns = next_ns;
            shown.push(contact.shows(true, now_ns));
        }
        assert!(now_ns > 10_900_000 && now_ns <= 11_000_000, "{now_ns}");
        assert_eq!(shown, [true, false, true, false, true, false, true, false, true, false, true]);
    }

    #[test]
    fn every_change_bounces_in_its_own_way_and_alike_every_time() {
        let first = BOUNCE.changes_ns(0, 1);
        assert_eq!(first, BOUNCE.changes_ns(0, 1));
        assert_ne!(first, BOUNCE.changes_ns(0, 2));
        assert_ne!(first, Bounce { seed: 8, ..BOUNCE }.changes_ns(0, 1));
    }

    #[test]
    fn there_are_no_more_changes_than_nanoseconds() {
        let hasty = Bounce { duration_ns: 7, bounces: 50, seed: 1 };
        assert_eq!(hasty.changes_ns(100, 1), [101, 102, 103, 104, 105, 106]);
        assert!(Bounce { duration_ns: 0, ..hasty }.changes_ns(100, 1).is_empty());
        assert!(Bounce { bounces: 0, ..BOUNCE }.changes_ns(100, 1).is_empty());
    }

    #[test]
    fn a_change_while_it_bounces_begins_anew() {
        let mut contact = Contact::default();
        contact.set_bounce(Some(BOUNCE));
        contact.set(0, true);
        let first_ns = contact.next_change_after(0).unwrap();
        contact.set(first_ns, false);
        assert!(!contact.shows(false, first_ns));
        assert!(contact.next_change_after(first_ns).unwrap() <= first_ns + 100_000);
    }
}

//! How often a map lets one notice that a device has started anew.

use crate::map::{Flag, Holding, Layout, Piece, Request, Verb};

/// Which replies tell that the device has started anew.
///
/// Counted are the replies that this driver reads, and only a flag that is latched: one that is live may have
/// fallen again before it is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ResetNotice {
    /// Every reply: whatever is asked, the answer tells.
    EveryReply,
    /// Those of peeking at the status and taking it, and some others, which
    /// [`is_told_by`](Self::is_told_by) names.
    SomeReplies,
    /// Only those of peeking at the status and taking it: it has to be read from time to time.
    StatusCommandsOnly,
    /// None. A reset shows, if at all, as a counter that jumps.
    Never,
}

impl ResetNotice {
    /// What a map offers.
    #[must_use]
    pub const fn of(layout: &Layout) -> Self {
        let (mut by_status, mut by_others, mut silent) = (false, false, false);
        let mut rest = layout.commands;
        while let [form, tail @ ..] = rest {
            rest = tail;
            if !is_read(layout, form.verb) {
                continue;
            }
            match (Self::is_told_by(layout, form.verb), form.verb) {
                (true, Verb::PeekStatus | Verb::TakeStatus) => by_status = true,
                (true, _) => by_others = true,
                (false, _) => silent = true,
            }
        }
        match (by_status, by_others, silent) {
            (false, false, _) => Self::Never,
            (_, _, false) => Self::EveryReply,
            (_, true, true) => Self::SomeReplies,
            (true, false, true) => Self::StatusCommandsOnly,
        }
    }

    /// Whether the reply to a command tells that the device has started anew.
    #[must_use]
    pub const fn is_told_by(layout: &Layout, verb: Verb) -> bool {
        let Some(form) = layout.form(verb) else {
            return false;
        };
        if !is_read(layout, verb) {
            return false;
        }
        let mut flags = layout.status.flags;
        while let [bit, more @ ..] = flags {
            let is_latched_reset =
                matches!(bit.flag, Flag::ResetOccurred) && matches!(bit.holding, Holding::LatchedUntil(_));
            if is_latched_reset && carries(form.reply, bit.bit) {
                return true;
            }
            flags = more;
        }
        false
    }
}

/// Whether the driver reads a reply to this command: there is one, and it comes in slots that are awaited.
const fn is_read(layout: &Layout, verb: Verb) -> bool {
    let Some(form) = layout.form(verb) else {
        return false;
    };
    let is_question = matches!(verb, Verb::ReadParameter | Verb::PeekStatus | Verb::TakeStatus);
    let is_word = matches!(form.request, Request::Word(_));
    is_word && !form.reply.is_empty() && (is_question || layout.replies_in_same_slots())
}

/// Whether a reply has this bit of the status word in it.
const fn carries(pieces: &[Piece], bit: u8) -> bool {
    let mut rest = pieces;
    while let [piece, tail @ ..] = rest {
        if let Piece::Status { lsb, width } = *piece
            && bit >= lsb
            && bit - lsb < width
        {
            return true;
        }
        rest = tail;
    }
    false
}

#[cfg(all(test, feature = "reference-maps"))]
mod tests {
    use super::*;
    use crate::map::{CommandForm, RegisterMap, StatusBit, StatusLayout};
    use crate::reference::{FixedWord, Latched};

    /// By the drawings in the reference maps: the first one's reads answer with the bare content; the second one's
    /// replies begin with bits 0 to 7 of the status, and the flag is bit 7.
    #[test]
    fn the_reference_maps_tell_by_status_commands_only_and_by_every_reply() {
        const LATCHED: ResetNotice = ResetNotice::of(&Latched::LAYOUT);
        assert_eq!(LATCHED, ResetNotice::StatusCommandsOnly);
        assert!(ResetNotice::is_told_by(&Latched::LAYOUT, Verb::PeekStatus));
        assert!(!ResetNotice::is_told_by(&Latched::LAYOUT, Verb::ReadParameter));
        assert_eq!(ResetNotice::of(&FixedWord::LAYOUT), ResetNotice::EveryReply);
        assert!(!ResetNotice::is_told_by(&FixedWord::LAYOUT, Verb::MoveVelocity), "its reply is not awaited");
    }

    #[test]
    fn a_flag_that_is_live_or_missing_or_not_carried_is_never_told() {
        const LIVE: &[StatusBit] = &[StatusBit::live(Flag::ResetOccurred, 7)];
        const ELSEWHERE: &[StatusBit] = &[StatusBit::latched(Flag::ResetOccurred, 24)];
        for flags in [&[], LIVE, ELSEWHERE] {
            let layout = FixedWord::LAYOUT.status(StatusLayout::new(25, flags));
            assert_eq!(ResetNotice::of(&layout), ResetNotice::Never);
        }
        assert_eq!(ResetNotice::of(&Latched::LAYOUT.commands(&[])), ResetNotice::Never);
    }

    #[test]
    fn a_reply_to_a_move_counts_where_it_is_awaited() {
        const FORMS: &[CommandForm] = &[
            CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 1)]).reply(&[Piece::status(16)]),
            CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(16, 2)]).reply(&[Piece::status(16)]),
            CommandForm::word(Verb::ReadParameter, &[Piece::fixed(16, 3)]).reply(&[Piece::data(16)]),
        ];
        let same_slots = Latched::LAYOUT.commands(FORMS);
        assert_eq!(ResetNotice::of(&same_slots), ResetNotice::SomeReplies);
        assert!(ResetNotice::is_told_by(&same_slots, Verb::HomeOnCurrentPosition));
        let mut next_frame = same_slots;
        next_frame.wire.reply_timing = crate::map::ReplyTiming::NextFrame;
        assert_eq!(ResetNotice::of(&next_frame), ResetNotice::StatusCommandsOnly);
    }
}

//! What can be wrong with a frame, and how often it was.

/// Why a frame was not taken. It changes nothing but a counter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Refused {
    /// No frame: borders in the wrong place, too long, too short, no header.
    Corrupt,
    /// Of another version of the link.
    OtherVersion,
    /// From or to somebody else.
    WrongAddress,
    /// There is no session that it could belong to.
    NoSession,
    /// Not tagged with the key that it should be: changed on its way, forged, of another pair or an ended session.
    NotAuthentic,
    /// Properly tagged, but not readable: the ends do not agree on what stands in a frame.
    Malformed,
    /// Came before.
    Repeated,
    /// Made before another that came already.
    OutOfOrder,
    /// Made after it came: the hand control's clock is wrong by more than [`crate::CLOCK_ERROR`] allows.
    FromTheFuture,
}

/// How often things happened at one end, since it started. The counters stop at their largest value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tally {
    /// Frames taken.
    pub taken: u32,
    /// Sessions begun.
    pub sessions: u32,
    /// [`Refused::Corrupt`]
    pub corrupt: u32,
    /// [`Refused::OtherVersion`]
    pub other_version: u32,
    /// [`Refused::WrongAddress`]
    pub wrong_address: u32,
    /// [`Refused::NoSession`]
    pub no_session: u32,
    /// [`Refused::NotAuthentic`]
    pub not_authentic: u32,
    /// [`Refused::Malformed`]
    pub malformed: u32,
    /// [`Refused::Repeated`]
    pub repeated: u32,
    /// [`Refused::OutOfOrder`]
    pub out_of_order: u32,
    /// [`Refused::FromTheFuture`]
    pub from_the_future: u32,
    /// Sequence numbers that were passed over. One that comes after all is counted as out of order, too.
    pub lost: u32,
    /// Taken, but already too old when it came.
    pub late: u32,
}

impl Tally {
    /// Counts a frame.
    pub(crate) fn note<T>(&mut self, outcome: &Result<T, Refused>) {
        let counter = match outcome {
            Ok(_) => &mut self.taken,
            Err(Refused::Corrupt) => &mut self.corrupt,
            Err(Refused::OtherVersion) => &mut self.other_version,
            Err(Refused::WrongAddress) => &mut self.wrong_address,
            Err(Refused::NoSession) => &mut self.no_session,
            Err(Refused::NotAuthentic) => &mut self.not_authentic,
            Err(Refused::Malformed) => &mut self.malformed,
            Err(Refused::Repeated) => &mut self.repeated,
            Err(Refused::OutOfOrder) => &mut self.out_of_order,
            Err(Refused::FromTheFuture) => &mut self.from_the_future,
        };
        *counter = counter.saturating_add(1);
    }

    /// Frames refused, for whatever reason.
    pub fn refused(&self) -> u32 {
        [
            self.corrupt,
            self.other_version,
            self.wrong_address,
            self.no_session,
            self.not_authentic,
            self.malformed,
            self.repeated,
            self.out_of_order,
            self.from_the_future,
        ]
        .into_iter()
        .fold(0, u32::saturating_add)
    }
}

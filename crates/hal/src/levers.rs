//! A station whose levers are wired to the board: a voltage a lever, an enabling switch, a stop button.
//!
//! Its frame is as old as the oldest of its readings, so a converter that no longer reads makes it late, as a link that is lost does. A
//! lever whose voltage is outside of its band has a broken wire, or two that touch: then there is no frame at all, since nobody knows
//! what the hands want.

use bellcrank_core::inputs::{HandFrame, Mode};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::math;
use bellcrank_core::units::{Instant, Lever, Volts};

use crate::analogue::{Analogue, since};
use crate::contact::Contact;
use crate::hands::Hands;
use crate::trouble::Fault;

/// A lever's voltages, V at the terminal, each above the one before.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LeverInput {
    /// The channel of the station's converter.
    pub channel: u8,
    /// From here down it is a fault.
    pub fault_low: Volts,
    /// Pushed all the way to the side that counts as -1.
    pub low: Volts,
    /// Let go.
    pub centre: Volts,
    /// Pushed all the way to the side that counts as 1.
    pub high: Volts,
    /// From here up it is a fault.
    pub fault_high: Volts,
}

/// A station of wired levers.
pub struct WiredHands<'b> {
    converter: &'b mut dyn Analogue,
    levers: &'b [LeverInput],
    enable: &'b mut dyn Contact,
    stop: Option<&'b mut dyn Contact>,
    mode: Mode,
    /// When the switches were last read, and whether enable and stop were closed then.
    switches: Option<(Instant, [bool; 2])>,
}

impl<'b> WiredHands<'b> {
    /// A station in joint mode. The levers are in the order of their numbers in the machine file; the enabling switch is closed while it
    /// is held; the stop button's contact is closed while it is not pressed, and none where the station has no button of its own.
    ///
    /// None where a lever's voltages do not rise, its channel is none of the converter's, or there are more than [`LEVERS_MAX`].
    pub fn new(
        converter: &'b mut dyn Analogue,
        levers: &'b [LeverInput],
        enable: &'b mut dyn Contact,
        stop: Option<&'b mut dyn Contact>,
    ) -> Option<Self> {
        let channels = converter.channels();
        let usable = |lever: &LeverInput| lever.rises() && lever.channel < channels;
        let usable = levers.len() <= LEVERS_MAX && levers.iter().all(usable);
        usable.then_some(Self {
            converter,
            levers,
            enable,
            stop,
            mode: Mode::Joint,
            switches: None,
        })
    }

    /// What the levers mean from now on.
    pub fn set_mode(&mut self, mode: Mode) {
        self.mode = mode;
    }

    /// The frame, unless something of it cannot be known.
    fn known(&self, now: Instant) -> Option<HandFrame> {
        let (at, [enable, stop_clear]) = self.switches?;
        let mut age = since(at, now)?;
        let mut levers = [Lever::default(); LEVERS_MAX];
        for (place, lever) in levers.iter_mut().zip(self.levers) {
            let reading = self.converter.read(lever.channel, now)?;
            *place = lever.share(reading.volts)?;
            age = age.max(reading.age);
        }
        Some(HandFrame {
            age: Some(age),
            levers,
            mode: self.mode,
            enable,
            stop_clear,
            ..HandFrame::default()
        })
    }
}

impl Hands for WiredHands<'_> {
    fn listen(&mut self, now: Instant) -> Result<(), Fault> {
        let converted = self.converter.refresh(now);
        let enable = self.enable.closed();
        let stop = self.stop.as_mut().map_or(Ok(true), |stop| stop.closed());
        self.switches = Some((now, [enable.unwrap_or(false), stop.unwrap_or(false)]));
        converted.and(enable).and(stop).map(|_| ())
    }

    fn frame(&self, now: Instant) -> HandFrame {
        self.known(now).unwrap_or_default()
    }
}

impl LeverInput {
    /// Each of its voltages is above the one before.
    pub fn rises(&self) -> bool {
        let volts = [self.fault_low, self.low, self.centre, self.high, self.fault_high];
        volts.iter().zip(volts.iter().skip(1)).all(|(one, next)| one < next)
    }

    /// How far it is pushed: in a straight line from the centre to either end. None outside of its band.
    pub fn share(&self, volts: Volts) -> Option<Lever> {
        if volts <= self.fault_low || volts >= self.fault_high {
            return None;
        }
        let beyond = volts.volts() - self.centre.volts();
        let end = if beyond < 0.0 { self.low } else { self.high };
        let share = beyond / math::abs(end.volts() - self.centre.volts());
        Lever::new(math::clamp(share, -1.0, 1.0)).ok()
    }
}

#[cfg(test)]
mod tests {
    use bellcrank_core::units::Duration;
    use proptest::prelude::*;

    use super::*;
    use crate::analogue::Newest;

    fn volts(number: f32) -> Volts {
        Volts::new(number).unwrap()
    }

    fn lever(channel: u8) -> LeverInput {
        LeverInput {
            channel,
            fault_low: volts(0.2),
            low: volts(0.5),
            centre: volts(2.4),
            high: volts(4.5),
            fault_high: volts(4.8),
        }
    }

    /// A converter that reads what it is given, when it is given something.
    #[derive(Default)]
    struct Given {
        newest: Newest,
        next: Option<[f32; 2]>,
    }

    impl Analogue for Given {
        fn refresh(&mut self, now: Instant) -> Result<(), Fault> {
            let given = self.next.take().ok_or(Fault::NoAnswer)?;
            for (channel, number) in (0..).zip(given) {
                self.newest.put(channel, volts(number), now);
            }
            Ok(())
        }

        fn read(&self, channel: u8, now: Instant) -> Option<crate::Reading> {
            self.newest.read(channel, now)
        }

        fn channels(&self) -> u8 {
            2
        }
    }

    struct Says(Result<bool, Fault>);

    impl Contact for Says {
        fn closed(&mut self) -> Result<bool, Fault> {
            self.0
        }
    }

    const CLOSED: Result<bool, Fault> = Ok(true);

    /// The outcome of one turn of a station, and its frame `later` µs after it.
    fn once(
        given: Option<[f32; 2]>,
        [enable, stop]: [Result<bool, Fault>; 2],
        later: u64,
    ) -> (Result<(), Fault>, HandFrame) {
        let mut converter = Given {
            next: given,
            ..Given::default()
        };
        let (mut enable, mut stop) = (Says(enable), Says(stop));
        let levers = [lever(0), lever(1)];
        let mut hands = WiredHands::new(&mut converter, &levers, &mut enable, Some(&mut stop)).unwrap();
        assert_eq!(hands.frame(Instant::from_ticks(0)), HandFrame::default());
        let outcome = hands.listen(Instant::from_ticks(1_000));
        (outcome, hands.frame(Instant::from_ticks(1_000 + later)))
    }

    #[test]
    fn a_lever_goes_straight_from_its_centre_to_its_ends() {
        for (reads, share) in [
            (2.4, 0.0),
            (0.5, -1.0),
            (4.5, 1.0),
            (4.7, 1.0),
            (0.3, -1.0),
            (3.45, 0.5),
            (1.45, -0.5),
        ] {
            let (outcome, frame) = once(Some([reads, 2.4]), [CLOSED; 2], 0);
            assert_eq!(outcome, Ok(()));
            assert!((frame.levers[0].share() - share).abs() < 1e-6, "{reads} V: {frame:?}");
            assert!(frame.enable && frame.stop_clear);
            assert_eq!(frame.age, Some(Duration::from_ticks(0)));
        }
    }

    #[test]
    fn what_is_not_known_is_no_frame() {
        for reads in [0.2, 0.0, 4.8, 5.0] {
            for given in [[reads, 2.4], [2.4, reads]] {
                assert_eq!(once(Some(given), [CLOSED; 2], 0), (Ok(()), HandFrame::default()));
            }
        }
        assert_eq!(once(None, [CLOSED; 2], 0), (Err(Fault::NoAnswer), HandFrame::default()));
    }

    #[test]
    fn a_switch_that_cannot_be_read_is_open() {
        let failed = Err(Fault::Pin);
        let rest = Some([2.4, 2.4]);
        let says = |frame: &HandFrame| (frame.enable, frame.stop_clear);
        for (switches, outcome, wanted) in [
            ([failed, CLOSED], Err(Fault::Pin), (false, true)),
            ([CLOSED, failed], Err(Fault::Pin), (true, false)),
            ([Ok(false), CLOSED], Ok(()), (false, true)),
        ] {
            let (got, frame) = once(rest, switches, 0);
            assert_eq!((got, says(&frame)), (outcome, wanted));
        }
    }

    #[test]
    fn readings_that_fail_make_it_old() {
        let mut converter = Given {
            next: Some([2.4, 2.4]),
            ..Given::default()
        };
        let (mut enable, levers) = (Says(CLOSED), [lever(0), lever(1)]);
        let mut hands = WiredHands::new(&mut converter, &levers, &mut enable, None).unwrap();
        let at = Instant::from_ticks;
        hands.set_mode(Mode::Tip);
        assert_eq!(hands.listen(at(1_000)), Ok(()));
        assert_eq!(hands.listen(at(60_000)), Err(Fault::NoAnswer));
        let frame = hands.frame(at(61_000));
        assert_eq!((frame.age, frame.mode), (Some(Duration::from_ticks(60_000)), Mode::Tip));
        assert!(frame.stop_clear, "it has no stop button");
        assert_eq!(
            hands.frame(at(59_000)),
            HandFrame::default(),
            "the clock went backwards"
        );
    }

    #[test]
    fn levers_that_make_no_sense_are_refused() {
        let crossed = LeverInput {
            centre: volts(0.4),
            ..lever(0)
        };
        let flat = LeverInput {
            high: volts(2.4),
            ..lever(0)
        };
        let too_many = [lever(0); LEVERS_MAX + 1];
        for levers in [&[crossed][..], &[flat], &[lever(2)], &too_many] {
            let (mut converter, mut enable) = (Given::default(), Says(CLOSED));
            assert!(WiredHands::new(&mut converter, levers, &mut enable, None).is_none());
        }
    }

    proptest! {
        /// More voltage is never less of a lever, and no voltage is beyond its ends.
        #[test]
        fn it_rises_with_the_voltage(one in 0.21_f32..4.7, more in 0.0_f32..4.6) {
            let other = math::clamp(one + more, one, 4.79);
            let share = |number| lever(0).share(volts(number)).unwrap();
            prop_assert!(share(one) <= share(other));
        }
    }
}

//! The way from a hand control to the core: both ends of the real link, and between them a channel that nobody trusts.
//!
//! The hand control sends a frame every so often, the machine its time; what they say goes as bytes. Both were switched on, and are in a
//! session, when the rehearsal begins. A sound channel brings everything at once; what a fault of the channel does to the bytes stands here,
//! and what comes of it is for the two ends.

use bellcrank_core::inputs::{HandFrame, Station};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::units::{Duration, Instant, Lever};
use bellcrank_link::{HandEnd, Id, MachineEnd, PACKET_MAX, Packet, Pair, PairingKey};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::instant;
use crate::scenario::FaultKind;

/// The key of a pair that is only simulated: a secret it need not be.
const KEY: [u8; 32] = *b"of a hand control and its screen";
/// What somebody has in its place who wants to be taken for the hand control.
const GUESSED_KEY: [u8; 32] = *b"32 bytes that somebody has tried";

/// Noise on the channel, bytes in the time of a frame: as long as a frame is.
const NOISE_BYTES: usize = 60;

/// A hand control's link.
pub struct Link {
    station: Station,
    /// Time between two frames, s, and above what age the core has no use for one.
    every: f64,
    late: Duration,
    /// When one was sent last, s.
    sent: Option<f64>,
    ends: Ends,
    to_hand: Way,
    to_machine: Way,
    /// The newest packet from the hand control that came through, for who brings it again.
    kept: Option<Packet>,
    /// Packets from the hand control that are held until there are enough of them to be brought in another order.
    held: Vec<Packet>,
    forger: Option<Ends>,
    /// What is lost and which bits are turned over, apart from all other noise.
    chance: ChaCha8Rng,
}

/// Both ends of a link.
struct Ends {
    hand: HandEnd,
    machine: MachineEnd,
}

/// Packets that are on their way, each with when it arrives, s.
type Way = Vec<(f64, Packet)>;

/// What is wrong with the channel.
#[derive(Debug, Clone, Copy, Default)]
struct Trouble {
    /// Share of the hand control's packets that are lost.
    lost: f64,
    /// What everything is held back by, s.
    delay: f64,
    /// Share of the bits that are turned over.
    turned: f64,
    /// The hand control's packets come so many at a time, the newest first.
    among: usize,
    repeats: bool,
    forged: bool,
    jammed: bool,
    half_open: bool,
}

impl Link {
    /// A sound link that sends every so often, s. The core has no use for frames older than `late`.
    pub fn new(station: Station, every: f64, late: Duration, seed: u64) -> Self {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        chance.set_stream(2 + station as u64);
        Self {
            station,
            every,
            late,
            sent: None,
            ends: Ends::joined(KEY, station, late, instant(0.0)),
            to_hand: Way::new(),
            to_machine: Way::new(),
            kept: None,
            held: Vec::new(),
            forger: None,
            chance,
        }
    }

    /// What the core reads of this station at time `t`, s, the hands being as `hands` says, on a channel with these faults.
    pub fn pass(&mut self, t: f64, hands: &HandFrame, faults: &[FaultKind]) -> HandFrame {
        let trouble = Trouble::of(self.station, faults);
        let now = instant(t);
        if let Some(packet) = self.ends.machine.send(now)
            && !trouble.half_open
        {
            let packet = if trouble.jammed { self.noise() } else { packet };
            let packet = self.turned(packet, trouble.turned);
            self.to_hand.push((t + trouble.delay, packet));
        }
        for packet in arrived(&mut self.to_hand, t) {
            for byte in packet {
                self.ends.hand.receive(byte, now);
            }
        }
        // A frame that is due is not put off by the rounding of its time.
        if self.sent.is_none_or(|sent| t - sent > self.every - 1e-9) {
            self.sent = Some(t);
            let packet = self.ends.hand.send(&just_read(*hands), now);
            for packet in packet.map_or_else(Vec::new, |packet| self.brought(packet, hands, now, &trouble)) {
                let packet = self.turned(packet, trouble.turned);
                self.to_machine.push((t + trouble.delay, packet));
            }
        }
        for packet in arrived(&mut self.to_machine, t) {
            for byte in packet {
                self.ends.machine.receive(byte, now);
            }
        }
        self.ends.machine.hand_frame(now)
    }

    /// What the channel brings in place of a packet of the hand control's.
    fn brought(&mut self, packet: Packet, hands: &HandFrame, now: Instant, trouble: &Trouble) -> Vec<Packet> {
        if trouble.jammed {
            return vec![self.noise()];
        }
        if trouble.forged {
            let (station, late) = (self.station, self.late);
            let forger = self
                .forger
                .get_or_insert_with(|| Ends::joined(GUESSED_KEY, station, late, now));
            return forger
                .hand
                .send(&just_read(everything(hands)), now)
                .into_iter()
                .collect();
        }
        if trouble.lost > 0.0 && self.chance.random_bool(trouble.lost) {
            return Vec::new();
        }
        if trouble.repeats {
            return self.kept.iter().cloned().collect();
        }
        self.kept = Some(packet.clone());
        self.held.push(packet);
        if self.held.len() < trouble.among {
            return Vec::new();
        }
        self.held.drain(..).rev().collect()
    }

    /// A packet with a share of its bits turned over.
    fn turned(&mut self, mut packet: Packet, share: f64) -> Packet {
        if share > 0.0 {
            for byte in &mut packet {
                for bit in 0..8 {
                    *byte ^= u8::from(self.chance.random_bool(share)) << bit;
                }
            }
        }
        packet
    }

    fn noise(&mut self) -> Packet {
        (0..NOISE_BYTES.min(PACKET_MAX)).map(|_| self.chance.random()).collect()
    }
}

impl Ends {
    /// Two ends that have just begun a session, on a channel without fault.
    fn joined(key: [u8; 32], station: Station, late: Duration, now: Instant) -> Self {
        let number = station as u16;
        let pair = Pair {
            hand: Id(0x100 + number),
            machine: Id(0x200 + number),
        };
        let key = PairingKey::new(key).expect("not all its bytes are the same");
        let mut ends = Self {
            hand: HandEnd::new(&key, pair, [1; 16]),
            machine: MachineEnd::new(&key, pair, [2; 16], late),
        };
        for byte in ends.hand.send(&HandFrame::default(), now).unwrap_or_default() {
            ends.machine.receive(byte, now);
        }
        for byte in ends.machine.send(now).unwrap_or_default() {
            ends.hand.receive(byte, now);
        }
        ends
    }
}

impl Trouble {
    fn of(station: Station, faults: &[FaultKind]) -> Self {
        let mut trouble = Self::default();
        for fault in faults.iter().filter(|fault| fault.station() == Some(station)) {
            match *fault {
                FaultKind::LinkLost { .. } => trouble.lost = 1.0,
                FaultKind::LinkPoor { share, .. } => trouble.lost = trouble.lost.max(share),
                FaultKind::LinkDelayed { by, .. } => trouble.delay = by,
                FaultKind::LinkRepeats { .. } => trouble.repeats = true,
                FaultKind::LinkReorders { among, .. } => trouble.among = among,
                FaultKind::LinkCorrupts { share, .. } => trouble.turned = share,
                FaultKind::LinkForged { .. } => trouble.forged = true,
                FaultKind::LinkJammed { .. } => trouble.jammed = true,
                FaultKind::LinkHalfOpen { .. } => trouble.half_open = true,
                _ => {}
            }
        }
        trouble
    }
}

/// What has arrived by time `t`, s.
fn arrived(way: &mut Way, t: f64) -> impl Iterator<Item = Packet> + use<> {
    let there: Vec<Packet> = way
        .extract_if(.., |(at, _)| *at <= t + 1e-9)
        .map(|(_, packet)| packet)
        .collect();
    there.into_iter()
}

fn just_read(hands: HandFrame) -> HandFrame {
    HandFrame {
        age: Some(Duration::from_ticks(0)),
        ..hands
    }
}

/// All that a hand could do at once: every lever over, the enabling switch held, no stop.
fn everything(hands: &HandFrame) -> HandFrame {
    HandFrame {
        levers: [Lever::new(1.0).unwrap_or_default(); LEVERS_MAX],
        enable: true,
        stop_clear: true,
        ..*hands
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STATION: Station = Station::Remote;
    const LATE: Duration = Duration::from_ticks(150_000);

    /// A second of a sound link with one lever a little over; then another second with these faults, the lever let go of. What the core was told
    /// last, how old the frames were at most, and what the machine's end counted in the second second: taken and refused.
    fn second(faults: &[FaultKind]) -> (HandFrame, u32, [u32; 2]) {
        let mut link = Link::new(STATION, 0.02, LATE, 1);
        let mut hands = HandFrame {
            stop_clear: true,
            ..HandFrame::default()
        };
        hands.levers[0] = Lever::new(0.5).unwrap();
        let ticks = |from: u32| (from..from + 500).map(|tick| 0.002 * f64::from(tick));
        for t in ticks(0) {
            let frame = link.pass(t, &hands, &[]);
            assert!(frame.fresh(LATE) && frame.stop_clear, "{t}");
        }
        hands.levers[0] = Lever::default();
        let before = *link.ends.machine.tally();
        let mut last = (HandFrame::default(), 0);
        for t in ticks(500) {
            let frame = link.pass(t, &hands, faults);
            last = (frame, last.1.max(frame.age.unwrap().as_ticks()));
            assert!(!frame.enable, "nobody holds it");
        }
        let after = link.ends.machine.tally();
        let refused = after.refused() - before.refused();
        (last.0, last.1, [after.taken - before.taken, refused])
    }

    fn lever(frame: &HandFrame) -> f32 {
        frame.levers[0].share()
    }

    #[test]
    fn a_sound_link_takes_every_frame_and_none_is_older_than_the_time_between_two() {
        let (frame, oldest, counted) = second(&[]);
        assert_eq!((lever(&frame), counted), (0.0, [50, 0]));
        assert!(oldest < 21_000, "{oldest} us");
    }

    /// The old lever stays in what the core is told, and its age tells that it is old.
    #[test]
    fn what_brings_nothing_new_lets_the_last_frame_grow_old() {
        for (fault, refused) in [
            (FaultKind::LinkLost { station: STATION }, 0),
            (FaultKind::LinkRepeats { station: STATION }, 50),
            (FaultKind::LinkForged { station: STATION }, 50),
        ] {
            let (frame, _, counted) = second(&[fault]);
            assert!((lever(&frame) - 0.5).abs() < 1e-4, "{fault:?}");
            assert!(frame.age.unwrap().as_ticks() > 950_000, "{fault:?}: {frame:?}");
            assert_eq!(counted, [0, refused], "{fault:?}");
        }
        let (frame, ..) = second(&[FaultKind::LinkJammed { station: STATION }]);
        assert!(frame.age.unwrap().as_ticks() > 950_000, "{frame:?}");
    }

    #[test]
    fn a_delay_is_told_as_age() {
        let (frame, oldest, _) = second(&[FaultKind::LinkDelayed {
            station: STATION,
            by: 0.1,
        }]);
        assert_eq!(lever(&frame), 0.0, "it comes in the end");
        // There and back, as the machine cannot know which way it was held.
        assert!((200_000..230_000).contains(&oldest), "{oldest} us");
    }

    #[test]
    fn of_frames_in_another_order_the_newest_is_taken() {
        let (frame, oldest, counted) = second(&[FaultKind::LinkReorders {
            station: STATION,
            among: 5,
        }]);
        assert_eq!((lever(&frame), counted), (0.0, [10, 40]));
        assert!((98_000..102_000).contains(&oldest), "{oldest} us");
    }

    #[test]
    fn bits_that_are_turned_over_cost_their_frames_and_nothing_else() {
        let turned = |share| {
            second(&[FaultKind::LinkCorrupts {
                station: STATION,
                share,
            }])
        };
        let (few, _, [taken, _]) = turned(0.0005);
        assert!(lever(&few) == 0.0 && (25..50).contains(&taken), "{taken}");
        let (many, _, [taken, _]) = turned(0.1);
        assert!((lever(&many) - 0.5).abs() < 1e-4 && taken == 0, "{taken}");
    }

    /// The hands are heard until the hand control misses the machine; what it asks for then is not answered.
    #[test]
    fn a_hand_control_that_hears_nothing_gives_up() {
        let (frame, ..) = second(&[FaultKind::LinkHalfOpen { station: STATION }]);
        let age = frame.age.unwrap().as_ticks();
        assert!((450_000..550_000).contains(&age), "{age} us");
        assert_eq!(lever(&frame), 0.0, "it was heard at first");
    }

    #[test]
    fn the_other_stations_faults_are_none_of_its() {
        let (_, oldest, _) = second(&[FaultKind::LinkLost { station: Station::Seat }]);
        assert!(oldest < 21_000, "{oldest} us");
    }
}

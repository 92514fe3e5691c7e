//! The operator: what the hands do at a given time.

use std::f64::consts::TAU;

use bellcrank_core::inputs::{self, Frame, GoTo, HandFrame, Mode, Station};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::units::Lever;
use bellcrank_machine::description;

use crate::scenario::{Act, FaultKind, Scenario, Target};

/// How long a hand takes to get a circle under way, s.
const SMOOTH_S: f64 = 1.0;

/// What the hands do in the course of a scenario. It remembers how far it has come, so that time goes forward only: a long scenario is not gone
/// through anew for each frame.
#[derive(Debug)]
pub struct Course {
    /// So many acts are done for good.
    done: usize,
    /// What they have led to.
    hands: Hands,
}

impl Course {
    /// At the start.
    pub fn new(scenario: &Scenario) -> Self {
        Self {
            done: 0,
            hands: Hands::new(scenario),
        }
    }

    /// Where the hands are at `t`, with the faults that are on having the last word.
    pub fn at(&mut self, scenario: &Scenario, t: f64) -> Hands {
        let mut hands = self.asked(scenario, t);
        for fault in scenario.faults.iter().filter(|fault| fault.on(t)) {
            match fault.kind {
                FaultKind::WrongLever { act } => hands.act(scenario, 0, act, t - fault.at),
                FaultKind::LeversStuck => hands.levers = Self::new(scenario).asked(scenario, fault.at).levers,
                FaultKind::LeversReversed => hands.levers = hands.levers.map(|share| -share),
                FaultKind::EnableTied => hands.enable = true,
                _ => {}
            }
        }
        hands
    }

    /// Where they were to be.
    fn asked(&mut self, scenario: &Scenario, t: f64) -> Hands {
        let due = |number: usize| scenario.hands.get(number).filter(|hand| hand.at <= t);
        // A circle goes on by itself: it, and what comes after it, is never done for good.
        while let Some(hand) = due(self.done).filter(|hand| !matches!(hand.act, Act::Circle { .. })) {
            self.done += 1;
            self.hands.act(scenario, self.done, hand.act, 0.0);
        }
        let mut hands = self.hands;
        for number in self.done.. {
            let Some(hand) = due(number) else { break };
            hands.act(scenario, number + 1, hand.act, t - hand.at);
        }
        hands
    }
}

/// Where the hands are at one moment.
#[derive(Debug, Clone, Copy)]
pub struct Hands {
    levers: [f64; LEVERS_MAX],
    mode: Mode,
    frame: Frame,
    slow: bool,
    go_to: Option<GoTo>,
    enable: bool,
    /// The reset button is pressed.
    pub reset: bool,
}

impl Hands {
    /// At rest.
    fn new(scenario: &Scenario) -> Self {
        Self {
            levers: [0.0; LEVERS_MAX],
            mode: scenario.mode,
            frame: Frame::default(),
            slow: false,
            go_to: None,
            enable: false,
            reset: false,
        }
    }

    /// The frame that the station in charge sends.
    pub fn frame(&self) -> HandFrame {
        #[allow(
            clippy::cast_possible_truncation,
            reason = "a share, narrowed to what a frame carries"
        )]
        let levers = self
            .levers
            .map(|share| Lever::new(share.clamp(-1.0, 1.0) as f32).unwrap_or_default());
        HandFrame {
            age: None,
            levers,
            mode: self.mode,
            frame: self.frame,
            slow: self.slow,
            go_to: self.go_to,
            enable: self.enable,
            stop_clear: true,
        }
    }

    /// The levers of an arm for a velocity of its tip, m/s, and rates of pitch, roll and yaw, rad/s.
    fn tip(&mut self, scenario: &Scenario, arm: usize, velocity: [f64; 3], turning: [f64; 3]) {
        let station = station(scenario);
        let arm = &scenario.machine.arms[arm];
        let moving = velocity.map(|v| v / arm.tip_speed);
        let turning = turning.map(|w| w / arm.pitch_rate);
        for (&lever, share) in arm.levers.iter().zip(moving.into_iter().chain(turning)) {
            self.levers[lever] = deflection(share / station.speed_cap, station);
        }
    }

    /// Does `act`, the scenario's act of that number, which began `since` ago, s.
    fn act(&mut self, scenario: &Scenario, number: usize, act: Act, since: f64) {
        match act {
            Act::Enable(held) => self.enable = held,
            Act::Reset(held) => self.reset = held,
            Act::Neutral => {
                self.levers = [0.0; LEVERS_MAX];
                self.go_to = None;
            }
            Act::Lever { axis, share } => {
                if let Some(lever) = scenario.machine.axes[axis].lever {
                    self.levers[lever] = share;
                }
            }
            Act::Levers(shares) => self.levers = shares,
            Act::Mode(mode) => self.mode = mode,
            Act::Frame(frame) => self.frame = frame,
            Act::Slow(slow) => self.slow = slow,
            Act::Tip { arm, velocity, turning } => {
                self.tip(scenario, arm, velocity, turning);
            }
            Act::GoTo { arm, to, frame, speed } => self.go_to = Some(order(number, arm, to, frame, speed)),
            Act::Circle { arm, radius, speed } => {
                let [forward, up] = on_circle(radius, speed, since);
                self.tip(scenario, arm, [forward, 0.0, up], [0.0; 3]);
            }
        }
    }
}

/// An order as a frame carries it.
#[allow(
    clippy::cast_possible_truncation,
    reason = "narrowed to what a frame carries; a few rows and arms, each with a number of its own"
)]
fn order(number: usize, arm: usize, to: Target, frame: Frame, speed: f64) -> GoTo {
    let narrow = |v: [f64; 3]| v.map(|x| x as f32);
    GoTo {
        number: number as u8,
        arm: arm as u8,
        to: match to {
            Target::At(place) => inputs::Target::At(narrow(place)),
            Target::By(way) => inputs::Target::By(narrow(way)),
        },
        frame,
        speed: speed as f32,
    }
}

/// The velocity, forward and up, of who draws a circle and began `since` ago. It takes [`SMOOTH_S`] to get under way and as long to
/// come to rest, both by the smoothest cubic.
fn on_circle(radius: f64, speed: f64, since: f64) -> [f64; 2] {
    let cubic = |x: f64| x * x * (3.0 - 2.0 * x);
    // How much of that cubic's way is behind at x: its integral.
    let way = |x: f64| x * x * x * (1.0 - 0.5 * x);
    let length = TAU * radius / speed + SMOOTH_S;
    let (begun, left) = (since / SMOOTH_S, (length - since) / SMOOTH_S);
    let (share, gone) = if left <= 0.0 {
        (0.0, 0.0)
    } else if left < 1.0 {
        (cubic(left), length - SMOOTH_S - SMOOTH_S * way(left))
    } else if begun < 1.0 {
        (cubic(begun), SMOOTH_S * way(begun))
    } else {
        (1.0, since - 0.5 * SMOOTH_S)
    };
    let (sin, cos) = (speed / radius * gone).sin_cos();
    [share * speed * cos, share * speed * sin]
}

/// The deflection that comes out as `share` once the dead zone has been taken out and the station's curve put on.
fn deflection(share: f64, station: &description::Station) -> f64 {
    if share == 0.0 {
        return 0.0;
    }
    // The curve rises all the way: from the far end Newton's rule comes down on its root, and never past it.
    let expo = station.expo;
    let mut straight = 1.0_f64.max(share.abs());
    for _ in 0..50 {
        let curved = straight * (1.0 - expo + expo * straight * straight);
        straight -= (curved - share.abs()) / (1.0 - expo + 3.0 * expo * straight * straight);
    }
    share.signum() * (station.dead_zone + straight * (1.0 - station.dead_zone))
}

fn station(scenario: &Scenario) -> &description::Station {
    let stations = &scenario.machine.stations;
    match scenario.station {
        Station::Remote => stations.remote.as_ref().unwrap_or(&stations.seat),
        Station::Seat => &stations.seat,
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::scenario;

    /// The lever of the left lift and the enabling switch at a time: pushed at 1 s, let go of at 3 s, something being wrong from 2 s on.
    fn held(fault: &str, t: f64) -> (f64, bool) {
        let text = format!(
            "name = \"n\"\nabout = \"a\"\nmachine = \"drystone setter\"\nlength_s = 5\nstation = \"seat\"\nmode = \"joint\"
[[start]]\narm = \"left\"\nangles_deg = [0, -20, 70, 40, 0]\n[[hand]]\nat_s = 0\nenable = true
[[hand]]\nat_s = 1\nlever = {{ axis = \"left lift\", share = 0.5 }}\n[[hand]]\nat_s = 3\nneutral = true
[[hand]]\nat_s = 3\nenable = false\n[[fault]]\nat_s = 2\nlasts_s = 2\nkind = \"{fault}\"\n"
        );
        let scenario = scenario::parse("s.toml", &text, Path::new("")).unwrap_or_else(|error| panic!("{error}"));
        let lever = scenario.machine.axes[1].lever.unwrap();
        let hands = Course::new(&scenario).at(&scenario, t);
        (hands.levers[lever], hands.enable)
    }

    #[test]
    fn hands_that_go_wrong_do_so_while_it_lasts() {
        for (fault, while_held, let_go) in [
            ("stop_button", (0.5, true), (0.0, false)),
            ("levers_reversed", (-0.5, true), (0.0, false)),
            ("levers_stuck", (0.5, true), (0.5, false)),
            ("enable_tied", (0.5, true), (0.0, true)),
        ] {
            assert_eq!(held(fault, 1.5), (0.5, true), "{fault}, before");
            assert_eq!(held(fault, 2.5), while_held, "{fault}");
            assert_eq!(held(fault, 3.5), let_go, "{fault}, let go");
            assert_eq!(held(fault, 4.5), (0.0, false), "{fault}, over");
        }
    }
}

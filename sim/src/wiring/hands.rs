//! The operator: what the hands do at a given time.

use bellcrank_core::inputs::{HandFrame, Station};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::units::Lever;
use bellcrank_machine::description;

use crate::scenario::{Act, FaultKind, Scenario};

/// Where the hands are at one moment.
#[derive(Debug, Clone, Copy, Default)]
pub struct Hands {
    levers: [f64; LEVERS_MAX],
    enable: bool,
    /// The reset button is pressed.
    pub reset: bool,
}

impl Hands {
    /// Everything the hands have done up to `t`, with the faults that are on having the last word.
    pub fn at(scenario: &Scenario, t: f64, faults: &[FaultKind]) -> Self {
        let mut hands = Self::default();
        for hand in scenario.hands.iter().take_while(|hand| hand.at <= t) {
            hands.act(scenario, hand.act);
        }
        for fault in faults {
            if let FaultKind::WrongLever { act } = fault {
                hands.act(scenario, *act);
            }
        }
        hands
    }

    /// The frame that the station in charge sends.
    pub fn frame(&self, scenario: &Scenario) -> HandFrame {
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
            mode: scenario.mode,
            enable: self.enable,
            stop_clear: true,
        }
    }

    fn act(&mut self, scenario: &Scenario, act: Act) {
        let station = station(scenario);
        match act {
            Act::Enable(held) => self.enable = held,
            Act::Reset(held) => self.reset = held,
            Act::Neutral => self.levers = [0.0; LEVERS_MAX],
            Act::Lever { axis, share } => {
                if let Some(lever) = scenario.machine.axes[axis].lever {
                    self.levers[lever] = share;
                }
            }
            Act::Tip { arm, velocity, pitch } => {
                let arm = &scenario.machine.arms[arm];
                let [forward, left, up] = velocity.map(|v| v / arm.tip_speed);
                for (&lever, share) in arm.levers.iter().zip([forward, left, up, pitch / arm.pitch_rate]) {
                    self.levers[lever] = deflection(share / station.speed_cap, station.dead_zone);
                }
            }
        }
    }
}

/// The deflection that comes out as `share` once the dead zone has been taken out.
fn deflection(share: f64, dead_zone: f64) -> f64 {
    if share == 0.0 {
        0.0
    } else {
        share.signum() * (dead_zone + share.abs() * (1.0 - dead_zone))
    }
}

fn station(scenario: &Scenario) -> &description::Station {
    let stations = &scenario.machine.stations;
    match scenario.station {
        Station::Remote => stations.remote.as_ref().unwrap_or(&stations.seat),
        Station::Seat => &stations.seat,
    }
}

//! scratch
use bellcrank_machine::find;
use bellcrank_sim::reaction::{cases, trial::Trial};
use bellcrank_sim::run::rehearse_sampled;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::path::Path;
use std::sync::Arc;
fn main() {
    let a: Vec<String> = std::env::args().collect();
    let case = cases::all().find(|c| c.cause.name().contains(&a[1])).unwrap();
    let m = Arc::new(find(&a[2], Path::new("")).unwrap());
    let m = case.fitted(&m);
    let seed: u64 = a[3].parse().unwrap();
    let every: f64 = a[4].parse().unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(case.cause as u64);
    for n in 0..200 {
        let t = Trial::draw(case, &m, &mut rng);
        let tr = rehearse_sampled(&t.scenario, seed, m.timing.tick).unwrap();
        let alarm = tr.events.iter().any(|e| e.t < t.fault_at && e.cause().is_some());
        if !alarm && !t.at_work(case, &tr) {
            continue;
        }
        println!(
            "try {n} axis {} {} fault {:.3} {:?} mode {:?} oil {:?} load {:?}",
            t.axis,
            m.axes[t.axis].name,
            t.fault_at,
            t.fault(),
            t.scenario.mode,
            t.scenario.oil,
            t.scenario.payloads.iter().map(|p| p.mass).collect::<Vec<_>>()
        );
        for e in &tr.events {
            println!("{:.3} {:?} {:?}", e.t, e.what, e.axis)
        }
        let mut goal = None;
        let mut most: (f64, f64) = (0.0, 0.0);
        for s in &tr.samples {
            let ax = &s.axes[t.axis];
            if ax.asked == 0.0 {
                goal = None;
                continue;
            }
            let g = goal.get_or_insert(ax.stroke);
            if s.t > t.fault_at && (*g - ax.stroke).abs() > most.0 {
                most = ((*g - ax.stroke).abs(), s.t)
            }
            *g += ax.asked * 0.002;
        }
        println!(
            "most behind {most:?} of {} shows {:?}",
            m.axes[t.axis].watch.following,
            case.shows(&t, &tr, f64::INFINITY)
        );
        let mut next = 0.0;
        for s in &tr.samples {
            if s.t < next {
                continue;
            }
            next = s.t + every;
            let ax = &s.axes[t.axis];
            println!(
                "{:.3} st {:.1} pa {:.0} pb {:.0} sup {:.0} tip {:.2?} tips {:?} ax rate {:.1} asked {:.1} op {:.3} | rates {:?}",
                s.t,
                ax.stroke * 1e3,
                ax.pressure_a / 1e5,
                ax.pressure_b / 1e5,
                s.supply / 1e5,
                s.arms[0].tip().as_slice(),
                s.arms.iter().map(|a| (a.tip_speed * 1e3).round()).collect::<Vec<_>>(),
                ax.rate * 1e3,
                ax.asked * 1e3,
                ax.opening,
                s.axes.iter().map(|a| (a.rate * 1e3).round()).collect::<Vec<_>>()
            );
        }
        break;
    }
}

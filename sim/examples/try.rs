//! scratch
use bellcrank_sim::{findings, run, scenario};
fn main() {
    for name in std::env::args().skip(1) {
        let s = scenario::read(&name).map_err(|e| format!("{e}")).unwrap();
        let t0 = std::time::Instant::now();
        let trace = run::rehearse(&s, 1).unwrap();
        let el = t0.elapsed().as_secs_f64();
        let f = findings::judge(&s, 1, &trace);
        println!("== {} {:.2}s wall, {:.0}x", f.scenario, el, s.length / el);
        for e in &trace.events {
            println!(
                "   {:.3} {} {}",
                e.t,
                bellcrank_sim::trace::event_name(&e.what),
                e.axis.map_or("".into(), |a| s.machine.axes[a].name.clone())
            );
        }
        for c in &f.checks {
            println!(
                "   {} {}: {} ({})",
                if c.passed { "ok  " } else { "FAIL" },
                c.what,
                c.found,
                c.wanted
            );
        }
        println!(
            "   noticed {:?} {:?} after {:?}, stopped {:?}, moved on {:?}, nearest {:?}, off {:?} along {:?} fastest {:.3}",
            f.noticed,
            f.noticed_axis,
            f.noticed_after_s,
            f.stopped_after_s,
            f.moved_on_m,
            f.nearest_m,
            f.off_line_m,
            f.along_line_m,
            f.fastest_tip_m_s
        );
        if std::env::var("DUMP").is_ok() {
            for x in trace.samples.iter().step_by(5) {
                print!("{:.2} {:?} ps {:.0}", x.t, x.state, x.supply / 1e5);
                for a in &x.arms {
                    print!(
                        " tip {:.3},{:.3},{:.3} v {:.3} c {:.3}",
                        a.tip().x,
                        a.tip().y,
                        a.tip().z,
                        a.tip_speed,
                        a.clearance.unwrap_or(9.)
                    );
                }
                for a in x.axes.iter().take(4) {
                    print!(
                        " | {:.1}° r {:.3}/{:.3} o {:.3} z {:.3} {:.0}/{:.0}",
                        a.angle.to_degrees(),
                        a.rate,
                        a.asked,
                        a.opening,
                        a.spool,
                        a.pressure_a / 1e5,
                        a.pressure_b / 1e5
                    );
                }
                println!();
            }
        }
    }
}

//! How well the built-in machines keep their tips to a way, as a table: `cargo bench --package bellcrank-benches --bench tracking`.

use bellcrank_tests::moves::{MACHINES, moves};

fn main() {
    println!("| machine | move | across the path, mm | position, mm | ρ, s | ρ by the speed led, s |");
    println!("|---|---|---|---|---|---|");
    for machine in MACHINES {
        for a_move in moves(machine) {
            let found = a_move.track();
            println!(
                "| {machine} | {} | {:.1} (rms {:.1}) | {:.1} | {:.4} | {:.4} |",
                a_move.name,
                1e3 * found.path_largest_m,
                1e3 * found.path_rms_m,
                1e3 * found.position_largest_m,
                found.rho_s,
                found.rho_led_s,
            );
        }
    }
}

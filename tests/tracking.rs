//! How well the built-in machines keep their tips to a way: what is reached, and not what is wished for.

use bellcrank_tests::moves::{MACHINES, moves};

/// Largest position error of each move, mm: what was reached, and a tenth more.
const REACHED: [&[f64]; 3] = [&[], &[], &[]];

#[test]
fn each_machine_tracks_as_well_as_it_did() {
    for (machine, reached) in MACHINES.into_iter().zip(REACHED) {
        let moves = moves(machine);
        assert_eq!(moves.len(), reached.len(), "{machine}");
        for (a_move, most) in moves.iter().zip(reached) {
            let found = a_move.track();
            assert!(
                1e3 * found.position_largest_m < *most,
                "{machine}, {}: {found:?}",
                a_move.name
            );
        }
    }
}

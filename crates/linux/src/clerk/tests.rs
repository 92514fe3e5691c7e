//! What the clerk makes of its notes.

use bellcrank_core::inputs::Relays;
use bellcrank_core::machine::PerAxis;
use bellcrank_core::outputs::Outputs;
use bellcrank_core::supervise::{RECORD_LEN, State};
use bellcrank_hal::Troubles;

use super::*;

fn note(number: u64, record: Option<[u8; RECORD_LEN]>) -> Note {
    Note {
        at: Instant::from_ticks(2000 * number),
        times: Times {
            late: 50,
            period: Some(2000),
            took: 100,
            missed: 0,
        },
        turn: Turn {
            outputs: Outputs {
                valves: PerAxis::default(),
                relays: Relays::default(),
                alive: true,
                status: Status {
                    state: State::Standby,
                    cause: None,
                    axis: None,
                    before: None,
                },
            },
            held: false,
            fed: true,
            record,
            troubles: Troubles::default(),
        },
    }
}

fn clerk(desk: Desk) -> Clerk {
    Clerk::start(desk, 2000, Arc::default()).unwrap()
}

#[test]
fn the_newest_record_is_on_disk_and_the_status_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let (record, status) = (folder.path().join("record"), folder.path().join("status.json"));
    let clerk = clerk(Desk {
        record: Some(record.clone()),
        status: Some(status.clone()),
        axes: Vec::new(),
    });
    for number in 0..100 {
        let kept = [3, 70]
            .contains(&number)
            .then_some([u8::try_from(number).unwrap(); RECORD_LEN]);
        clerk.note(note(number, kept));
    }
    let jitter = clerk.finish().unwrap();
    assert_eq!(record::load(&record).unwrap(), Some([70; RECORD_LEN]));
    let shown: serde_json::Value = serde_json::from_slice(&std::fs::read(&status).unwrap()).unwrap();
    assert_eq!(
        (&shown["state"], &shown["jitter"]["turns"]),
        (&"standby".into(), &100.into())
    );
    assert!(
        jitter
            .to_string()
            .starts_with("100 turns of 2000 us: 0 longer than that, 0 left out, 0 of which")
    );
}

/// A flood that nobody can keep up with: what is lost is counted, and no record is among it.
#[test]
fn where_too_many_notes_wait_they_are_counted_and_the_record_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("record");
    let clerk = clerk(Desk {
        record: Some(record.clone()),
        ..Desk::default()
    });
    let many = 50 * WAITING as u64;
    for number in 0..many {
        clerk.note(note(number, None));
    }
    clerk.note(note(many, Some([9; RECORD_LEN])));
    let jitter = clerk.finish().unwrap().report();
    let jitter = serde_json::to_value(jitter).unwrap();
    let count = |key: &str| jitter[key].as_u64().unwrap();
    assert_eq!(count("turns") + count("unseen"), many + 1);
    assert!(count("unseen") > 0, "{jitter}");
    assert_eq!(record::load(&record).unwrap(), Some([9; RECORD_LEN]));
}

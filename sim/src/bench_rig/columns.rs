//! The columns of a run's CSV file, which are those that a recording may have.

use crate::plant::rig::{Feed, Rig, Sample};

/// A quantity under its heading. In SI.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    /// The heading.
    pub name: &'static str,
    /// Its value in a sample. NaN on a bench that has no such thing.
    pub of: fn(&Sample) -> f64,
}

/// Heading of the time, the first column.
pub(super) const TIME: &str = "t_s";

pub(super) const STROKE: Column = Column {
    name: "x_m",
    of: |sample| sample.stroke,
};
pub(super) const SPEED: Column = Column {
    name: "v_m_s",
    of: |sample| sample.speed,
};
pub(super) const PRESSURE_A: Column = Column {
    name: "pA_Pa",
    of: |sample| sample.pressure_a,
};
pub(super) const PRESSURE_B: Column = Column {
    name: "pB_Pa",
    of: |sample| sample.pressure_b,
};
pub(super) const SPOOL: Column = Column {
    name: "spool",
    of: |sample| sample.spool,
};
const SPOOL_RATE: Column = Column {
    name: "spool_rate_1_s",
    of: |sample| sample.spool_rate,
};
pub(super) const PORT_A: Column = Column {
    name: "portA_Pa",
    of: |sample| sample.ports.map_or(f64::NAN, |ports| ports[0]),
};
pub(super) const PORT_B: Column = Column {
    name: "portB_Pa",
    of: |sample| sample.ports.map_or(f64::NAN, |ports| ports[1]),
};
pub(super) const SUPPLY: Column = Column {
    name: "supply_Pa",
    of: |sample| sample.pump.map_or(f64::NAN, |[pressure, _]| pressure),
};
pub(super) const PUMP: Column = Column {
    name: "pump_m3_s",
    of: |sample| sample.pump.map_or(f64::NAN, |[_, flow]| flow),
};
pub(super) const ENGINE: Column = Column {
    name: "engine_rad_s",
    of: |sample| sample.engine.unwrap_or(f64::NAN),
};

/// All columns that a bench has beside the time, in their order.
pub(super) fn columns(rig: &Rig) -> Vec<Column> {
    let mut columns = vec![STROKE, SPEED, PRESSURE_A, PRESSURE_B, SPOOL, SPOOL_RATE];
    if rig.holding.is_some() {
        columns.extend([PORT_A, PORT_B]);
    }
    if let Feed::Pump { engine, .. } = &rig.feed {
        columns.extend([SUPPLY, PUMP]);
        columns.extend(engine.as_ref().map(|_| ENGINE));
    }
    columns
}

/// All samples as CSV, each number the shortest that reads back as the same double.
///
/// # Panics
/// Never: memory takes everything.
pub(super) fn csv(rig: &Rig, samples: &[Sample]) -> Vec<u8> {
    let columns = columns(rig);
    let mut writer = csv::Writer::from_writer(Vec::new());
    let headings = std::iter::once(TIME).chain(columns.iter().map(|column| column.name));
    writer.write_record(headings).expect("memory takes everything");
    for sample in samples {
        let values = columns.iter().map(|column| (column.of)(sample));
        let row: Vec<f64> = std::iter::once(sample.time).chain(values).collect();
        writer.serialize(row).expect("memory takes everything");
    }
    writer.into_inner().expect("memory takes everything")
}

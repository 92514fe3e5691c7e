//! The longest stops of each machine, the distance that they ask for, and how near its arms came to what they keep out of.

use maud::{Markup, html};

use super::Evidence;
use crate::prove::stops::{COMPARED, Near, Stop, Stops};

/// A table of stops and one of distances for each machine.
pub fn section(evidence: &Evidence) -> Markup {
    html! {
        section id="stops" {
            h2 { "Stops and distances" }
            p { "Each stop from being called for until all tips rest. S = K T + C after ISO 13855, with the longest stop that was measured here as T." }
            p { (COMPARED) }
            @for stops in &evidence.stops { (of_machine(stops)) }
        }
    }
}

fn of_machine(stops: &Stops) -> Markup {
    html! {
        h3 { (stops.machine) }
        @if stops.moving > 0 {
            p class="note" { (stops.moving) " runs ended before all tips were at rest, and count in neither row." }
        }
        div class="scroll" tabindex="0" role="region" aria-label={ "Stops of " (stops.machine) } {
            table {
                thead { tr {
                    th scope="col" { "of" }
                    @for heading in ["longest stop, ms", "S for whoever walks up, mm", "S for a hand that reaches in, mm", "furthest way of a tip, mm"] {
                        th scope="col" class="figure" { (heading) }
                    }
                } }
                tbody {
                    @for (of, stop) in [("good runs", &stops.good), ("all runs", &stops.any)] { (row(of, stop.as_ref())) }
                }
            }
        }
        div class="scroll" tabindex="0" role="region" aria-label={ "Distances of " (stops.machine) } {
            table {
                thead { tr {
                    th scope="col" { "kept out of" }
                    @for heading in ["margin, mm", "nearest of all runs, mm", "in run"] { th scope="col" class="figure" { (heading) } }
                } }
                tbody { @for near in stops.zones.iter().chain(&stops.arms) { (distance(near)) } }
            }
        }
    }
}

fn row(of: &str, stop: Option<&Stop>) -> Markup {
    html! {
        tr {
            th scope="row" { (of) }
            @if let Some(stop) = stop {
                td class="figure" { (format!("{:.0}, run {}", stop.time_ms, stop.run)) }
                td class="figure" { (format!("{:.0}", stop.walking_mm)) }
                td class="figure" { (format!("{:.0}", stop.reaching_mm)) }
                td class="figure" { (format!("{:.0}, run {}", stop.way_mm, stop.way_run)) }
            } @else {
                td colspan="4" { "none came to a stop" }
            }
        }
    }
}

fn distance(near: &Near) -> Markup {
    html! {
        tr {
            th scope="row" { (near.what) }
            td class="figure" { (format!("{:.0}", near.margin_mm)) }
            td class="figure" { (near.nearest_mm.map_or("-".to_owned(), |nearest| format!("{nearest:.0}"))) }
            td class="figure" { (near.run.map_or("-".to_owned(), |run| run.to_string())) }
        }
    }
}

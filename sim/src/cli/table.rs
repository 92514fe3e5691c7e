//! Tables for people.

use comfy_table::{CellAlignment, ContentArrangement, Table, presets};

/// Most characters in a line of a list.
const WIDTH: usize = 100;

/// A table with a heading: the first column to the left, the others, being numbers, to the right.
pub fn table<'a>(heading: impl IntoIterator<Item = &'a str>, rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut table = Table::new();
    table
        .load_preset(presets::NOTHING)
        .set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(heading);
    table.add_rows(rows);
    for (number, column) in table.column_iter_mut().enumerate() {
        let alignment = if number == 0 {
            CellAlignment::Left
        } else {
            CellAlignment::Right
        };
        column.set_cell_alignment(alignment);
        column.set_padding((0, 2));
    }
    table.trim_fmt() + "\n"
}

/// A number with so many digits after the point, and no minus before a zero.
pub fn decimals(number: f64, digits: usize) -> String {
    let text = format!("{number:.digits$}");
    let is_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    if is_zero {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// A list after its lead, in lines of at most 100 characters.
pub fn listed(lead: &str, items: &[String]) -> String {
    let mut text = lead.to_owned();
    let mut width = lead.len();
    for (number, item) in items.iter().enumerate() {
        let comma = if number + 1 < items.len() { "," } else { "" };
        if width + item.len() + 2 > WIDTH {
            text += "\n ";
            width = 1;
        }
        text.extend([" ", item, comma]);
        width += item.len() + 2;
    }
    text + "\n"
}

/// Prose in lines that fit the terminal, of at most 100 characters; all but the first begin with `indent`.
pub fn paragraph(text: &str, indent: &str) -> String {
    let width = super::terminal_width().clamp(20, WIDTH);
    let options = textwrap::Options::new(width)
        .subsequent_indent(indent)
        .break_words(false);
    textwrap::fill(text, options) + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zero_has_no_sign() {
        assert_eq!(decimals(-0.004, 2), "0.00");
        assert_eq!(decimals(-0.005_1, 2), "-0.01");
        assert_eq!(decimals(f64::INFINITY, 1), "inf");
    }

    #[test]
    fn a_list_stays_within_its_lines() {
        let items = vec!["a name of some length".to_owned(); 12];
        let text = listed("All:", &items);
        assert!(text.lines().all(|line| line.len() <= WIDTH), "{text}");
        assert_eq!(text.matches("length").count(), 12);
        assert_eq!(listed("One:", &items[..1]), "One: a name of some length\n");
    }
}

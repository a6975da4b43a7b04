//! Tables for people.

use comfy_table::{CellAlignment, Table};

/// A table with its columns in line; the columns with these indices are set to the right.
pub(crate) fn table(head: &[&str], rows: &[Vec<String>], to_the_right: &[usize]) -> String {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_header(head.to_vec());
    table.add_rows(rows.to_vec());
    for &column in to_the_right {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table.lines().map(|line| format!("{}\n", line.trim_end())).collect()
}

//! The codes of the open marker family tag36h11 (Olson, "AprilTag: A robust and flexible visual fiducial system",
//! ICRA 2011; 587 codes of 6 x 6 cells, any two at least 11 cells apart in every turn).

use std::sync::OnceLock;

/// Cells along a side of the code.
pub const CELLS: usize = 6;
/// Cells along a side of the black square.
pub const ACROSS: usize = CELLS + 2;
/// Most cells misread: half the least distance is 5, and fewer keep chance patterns out.
const MOST_WRONG: u32 = 3;

/// Codes as 36 bits, first row first, 1 = white.
pub fn codes() -> &'static [u64] {
    static CODES: OnceLock<Vec<u64>> = OnceLock::new();
    CODES.get_or_init(|| {
        include_str!("tag36h11.txt").split_whitespace().filter_map(|w| u64::from_str_radix(w, 16).ok()).collect()
    })
}

/// The number of a code read in any turn, the quarter turns (anticlockwise, of what was read) that set it upright, and
/// the cells misread.
pub fn decode(read: u64) -> Option<(usize, u32, u32)> {
    let mut turned = read;
    let mut best: Option<(usize, u32, u32)> = None;
    for turn in 0..4 {
        for (number, code) in codes().iter().enumerate() {
            let wrong = (code ^ turned).count_ones();
            if wrong <= MOST_WRONG && best.is_none_or(|b| wrong < b.2) {
                best = Some((number, turn, wrong));
            }
        }
        turned = anticlockwise(turned);
    }
    best
}

/// The cell pattern turned by a quarter, anticlockwise.
fn anticlockwise(code: u64) -> u64 {
    let bit = |row: usize, column: usize| (code >> (CELLS * CELLS - 1 - (row * CELLS + column))) & 1;
    let mut out = 0;
    for row in 0..CELLS {
        for column in 0..CELLS {
            // What stands in the last column comes to the first row.
            out = (out << 1) | bit(column, CELLS - 1 - row);
        }
    }
    out
}

/// Is a cell of the black square white? Row 0 at the top; border cells are black.
pub fn is_white(number: usize, row: usize, column: usize) -> bool {
    let inner = |k: usize| (1..=CELLS).contains(&k);
    let Some(code) = codes().get(number).filter(|_| inner(row) && inner(column)) else { return false };
    let k = (row - 1) * CELLS + column - 1;
    (code >> (CELLS * CELLS - 1 - k)) & 1 == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_family_is_whole() {
        // Published: 587 codes, least Hamming distance 11 (Olson 2011, family 36h11).
        assert_eq!(codes().len(), 587);
        let some = &codes()[..60];
        for (i, &a) in some.iter().enumerate() {
            for &b in &some[i + 1..] {
                let mut turned = b;
                for _ in 0..4 {
                    assert!((a ^ turned).count_ones() >= 11);
                    turned = anticlockwise(turned);
                }
            }
        }
    }

    #[test]
    fn a_code_is_read_in_every_turn_with_three_cells_wrong() {
        let mut turned = codes()[17];
        for back in [0, 3, 2, 1] {
            assert_eq!(decode(turned), Some((17, back, 0)));
            assert_eq!(decode(turned ^ 0b1001_0000_1000), Some((17, back, 3)));
            turned = anticlockwise(turned);
        }
        assert_eq!(decode(0), None);
    }
}

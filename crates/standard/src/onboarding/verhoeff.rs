//! The check digit of manual codes.
//!
//! J. Verhoeff, *Error Detecting Decimal Codes*, Mathematical Centre Tract 29,
//! Amsterdam, 1969: the dihedral group of the pentagon, and a permutation that
//! is applied as often as a digit stands from the right. Every change of one
//! digit and every swap of two unequal neighbours shows.

/// Multiplication in the dihedral group D5.
const PRODUCT: [[u8; 10]; 10] = [
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 9],
    [1, 2, 3, 4, 0, 6, 7, 8, 9, 5],
    [2, 3, 4, 0, 1, 7, 8, 9, 5, 6],
    [3, 4, 0, 1, 2, 8, 9, 5, 6, 7],
    [4, 0, 1, 2, 3, 9, 5, 6, 7, 8],
    [5, 9, 8, 7, 6, 0, 4, 3, 2, 1],
    [6, 5, 9, 8, 7, 1, 0, 4, 3, 2],
    [7, 6, 5, 9, 8, 2, 1, 0, 4, 3],
    [8, 7, 6, 5, 9, 3, 2, 1, 0, 4],
    [9, 8, 7, 6, 5, 4, 3, 2, 1, 0],
];

/// The element with which each gives 0.
const INVERSE: [u8; 10] = [0, 4, 3, 2, 1, 5, 6, 7, 8, 9];

/// The permutation, applied 0 to 7 times; its eighth power is the identity.
const PERMUTED: [[u8; 10]; 8] = {
    const ONCE: [u8; 10] = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4];
    let mut powers = [[0, 1, 2, 3, 4, 5, 6, 7, 8, 9]; 8];
    let mut times = 1;
    while times < 8 {
        let mut digit = 0;
        while digit < 10 {
            powers[times][digit] = ONCE[powers[times - 1][digit] as usize];
            digit += 1;
        }
        times += 1;
    }
    powers
};

/// The product over `digits`, the last of which stands `from` places from the right.
fn product(digits: &[u8], from: usize) -> u8 {
    digits.iter().rev().enumerate().fold(0, |sum, (place, digit)| {
        let permuted = PERMUTED[(place + from) % 8][usize::from(*digit % 10)];
        PRODUCT[usize::from(sum)][usize::from(permuted)]
    })
}

/// The check digit to put after `digits`, each 0 to 9.
pub fn check_digit(digits: &[u8]) -> u8 {
    INVERSE[usize::from(product(digits, 1))]
}

/// Whether the last of `digits`, each 0 to 9, is the check digit of those before it.
pub fn holds(digits: &[u8]) -> bool {
    !digits.is_empty() && product(digits, 0) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn digits(text: &str) -> Vec<u8> {
        text.bytes().map(|b| b - b'0').collect()
    }

    /// Examples that the literature on Verhoeff's scheme prints, from memory.
    #[test]
    fn published_examples() {
        for (number, check) in [("236", 3), ("12345", 1), ("142857", 0), ("123456789012", 0)] {
            assert_eq!(check_digit(&digits(number)), check, "{number}");
            assert!(holds(&digits(&format!("{number}{check}"))), "{number}");
        }
        assert!(!holds(&[]));
    }

    /// The table is the group: elements 0 to 4 turn the pentagon, 5 to 9 mirror it.
    #[test]
    fn the_table_is_the_dihedral_group() {
        for a in 0..10_u8 {
            for b in 0..10_u8 {
                let turned = if a < 5 { (a % 5 + b % 5) % 5 } else { (5 + a % 5 - b % 5) % 5 };
                let mirrored = (a < 5) != (b < 5);
                assert_eq!(PRODUCT[usize::from(a)][usize::from(b)], turned + 5 * u8::from(mirrored), "{a} * {b}");
            }
            assert_eq!(PRODUCT[usize::from(a)][usize::from(INVERSE[usize::from(a)])], 0, "{a}");
        }
    }
}

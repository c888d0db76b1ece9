//! Tells what has changed since it was last made: a number from bytes.
//!
//! Fowler, Noll and Vo's 64-bit hash (FNV-1a): against changes, not against attackers.

use std::fmt;

/// A number that other bytes would hardly give.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fingerprint(u64);

impl Default for Fingerprint {
    /// That of nothing.
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl Fingerprint {
    /// That of some bytes.
    pub fn of(bytes: impl AsRef<[u8]>) -> Self {
        let mut print = Self::default();
        print.add(bytes);
        print
    }

    /// Goes on with more bytes.
    pub fn add(&mut self, bytes: impl AsRef<[u8]>) {
        for byte in bytes.as_ref() {
            self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }
}

impl fmt::Display for Fingerprint {
    /// Sixteen hexadecimal digits.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:016x}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::Fingerprint;

    /// Test vectors of the hash's authors (draft-eastlake-fnv, from memory).
    #[test]
    fn known_values() {
        assert_eq!(Fingerprint::of("").to_string(), "cbf29ce484222325");
        assert_eq!(Fingerprint::of("a").to_string(), "af63dc4c8601ec8c");
        assert_eq!(Fingerprint::of("foobar").to_string(), "85944171f73967e8");
    }
}

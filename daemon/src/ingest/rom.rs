//! Ids of 1-wire probes. One probe is spelt in several ways: byte by byte as the bus has it, as Linux has it, and short.

/// Families of 1-wire thermometers.
const FAMILIES: [u8; 5] = [0x10, 0x22, 0x28, 0x3b, 0x42];

/// What is the same in every spelling.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Rom {
    /// The short form leaves it away.
    pub(super) family: Option<u8>,
    /// Twelve small hex digits, the high byte first.
    pub(super) serial: String,
}

// === impl Rom ===

impl Rom {
    /// `28 AA C2 00 58 14 01 4E` (the bus: family, serial with the low byte first, check), `28-01145800c2aa` (Linux),
    /// `01145800C2AA` (short), `0x4E01145800C2AA28` (the bus as a number). Of sixteen digits the check has to be right:
    /// most of them are EUIs.
    pub(super) fn parse(id: &str) -> Option<Rom> {
        let bare = hex(id)?;
        match bare.len() {
            12 => Some(Rom { family: None, serial: bare }),
            14 => {
                let (family, serial) = bare.split_at_checked(2)?;
                let family =
                    u8::from_str_radix(family, 16).ok().filter(|family| FAMILIES.contains(family))?;
                Some(Rom { family: Some(family), serial: serial.to_owned() })
            }
            16 => {
                let as_number = u64::from_str_radix(&bare, 16).ok()?;
                [as_number.to_be_bytes(), as_number.to_le_bytes()].into_iter().find_map(of_bus)
            }
            _ => None,
        }
    }

    /// Whether both can be one probe.
    pub(super) fn is(&self, other: &Rom) -> bool {
        self.serial == other.serial
            && (self.family.is_none() || other.family.is_none() || self.family == other.family)
    }
}

/// The digits of an id in small letters, if it is made of hex digits and of what people put between them.
pub(super) fn hex(id: &str) -> Option<String> {
    let id = id.strip_prefix("0x").unwrap_or(id);
    let digits = id.chars().filter(|c| !matches!(c, ':' | '-' | '.' | ' '));
    let bare: String = digits.map(|c| c.to_ascii_lowercase()).collect();
    (!bare.is_empty() && bare.bytes().all(|b| b.is_ascii_hexdigit())).then_some(bare)
}

fn of_bus(bytes: [u8; 8]) -> Option<Rom> {
    let [family, serial @ .., check] = bytes;
    let is_right = FAMILIES.contains(&family) && bytes.iter().take(7).fold(0, |sum, b| crc(sum, *b)) == check;
    let serial = serial.iter().rev().fold(0_u64, |all, byte| all << 8 | u64::from(*byte));
    is_right.then(|| Rom { family: Some(family), serial: format!("{serial:012x}") })
}

/// The check of 1-wire: x^8 + x^5 + x^4 + 1, the low bit first.
fn crc(sum: u8, byte: u8) -> u8 {
    (0..8).fold(sum ^ byte, |sum, _| if sum & 1 == 1 { sum >> 1 ^ 0x8c } else { sum >> 1 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_probe_in_all_its_spellings() {
        let bus = [0x28, 0xb4, 0x90, 0x51, 0x3c, 0xaa, 0x07];
        let check = bus.iter().fold(0, |sum, byte| crc(sum, *byte));
        let spaced =
            bus.iter().chain([&check]).map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ");
        let number = format!("0x{check:02x}07aa3c5190b428");
        let spellings =
            ["28-07aa3c5190b4", "28.07AA3C5190B4", "07AA3C5190B4", "07:aa:3c:51:90:b4", &spaced, &number];
        for one in spellings {
            for other in spellings {
                assert!(Rom::parse(one).unwrap().is(&Rom::parse(other).unwrap()), "{one} {other}");
            }
            assert!(!Rom::parse(one).unwrap().is(&Rom::parse("28-07aa3c5190b5").unwrap()), "{one}");
        }
        assert!(
            !Rom::parse("10-07aa3c5190b4").unwrap().is(&Rom::parse(&spaced).unwrap()),
            "of another family"
        );
        let wrong_check = format!("{}{:02x}", "28b490513caa07", check ^ 1);
        for other in ["", "k1", "70b3d57ed0a1c2e3", "77aa3c5190b4zz", "5507aa3c5190b4", wrong_check.as_str()]
        {
            assert_eq!(Rom::parse(other), None, "{other}");
        }
    }

    /// From the data sheet's note on the check.
    #[test]
    fn the_check_is_that_of_the_maker() {
        let bytes = [0x02, 0x1c, 0xb8, 0x01, 0x00, 0x00, 0x00];
        assert_eq!(bytes.iter().fold(0, |sum, byte| crc(sum, *byte)), 0xa2);
    }
}

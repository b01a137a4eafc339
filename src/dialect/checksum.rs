//! Checksums by name or parameters. Pure.
//!
//! CRCs are computed from the parameters of the catalogue of parametrised CRC algorithms (Greg Cook, reveng.sourceforge.io), which
//! the crate `crc-catalog` holds. Sums are taken over bytes, or over the values of a frame.

use crc_catalog as catalog;

/// Parameters of a CRC, in the terms of the catalogue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crc {
    /// Number of bits, 3 to 64.
    pub width: u8,
    /// Generator polynomial without its highest term.
    pub poly: u64,
    /// Initial register.
    pub init: u64,
    /// Whether bytes enter least significant bit first.
    pub refin: bool,
    /// Whether the register is reflected at the end.
    pub refout: bool,
    /// Value combined with the register at the end.
    pub xorout: u64,
}

/// A checksum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checksum {
    /// Sum of the bytes, modulo 2 to the power of the number of bits.
    Sum(u8),
    /// Exclusive or of the bytes.
    Xor8,
    /// The number that makes the sum of the bytes zero modulo 256.
    TwosComplement8,
    /// The complement of the sum of the bytes modulo 256.
    OnesComplement8,
    /// A cyclic redundancy check.
    Crc(Crc),
}

/// Names that are accepted beside those of the catalogue.
pub const RULE: &str = "`sum-8`, `sum-16`, `sum-32`, `xor-8`, `twos-complement-8`, `ones-complement-8` or the name of a CRC in the public catalogue, such as \
                        `CRC-16/MODBUS`";

fn reflect(value: u64, width: u8) -> u64 {
    value.reverse_bits() >> (64 - u32::from(width))
}

fn mask(width: u8) -> u64 {
    u64::MAX >> (64 - u32::from(width))
}

impl Crc {
    fn of(&self, bytes: &[u8]) -> u64 {
        // The register is kept reflected where bytes enter least significant bit first, else left-aligned in 64 bits.
        let shift = 64 - u32::from(self.width);
        let mut register = if self.refin { reflect(self.init, self.width) } else { self.init << shift };
        let poly = if self.refin { reflect(self.poly, self.width) } else { self.poly << shift };
        for byte in bytes {
            if self.refin {
                register ^= u64::from(*byte);
                for _ in 0..8 {
                    register = if register & 1 == 1 { register >> 1 ^ poly } else { register >> 1 };
                }
            } else {
                register ^= u64::from(*byte) << 56;
                for _ in 0..8 {
                    register = if register >> 63 == 1 { register << 1 ^ poly } else { register << 1 };
                }
            }
        }
        let register = if self.refin { register } else { register >> shift };
        let register = if self.refin == self.refout { register } else { reflect(register, self.width) };
        (register ^ self.xorout) & mask(self.width)
    }
}

impl Checksum {
    /// The checksum of bytes.
    pub fn of(&self, bytes: &[u8]) -> u64 {
        let sum = || bytes.iter().fold(0_u64, |sum, byte| sum.wrapping_add(u64::from(*byte)));
        match self {
            Self::Sum(bits) => sum() & mask(*bits),
            Self::Xor8 => u64::from(bytes.iter().fold(0, |x, byte| x ^ byte)),
            Self::TwosComplement8 => sum().wrapping_neg() & 0xff,
            Self::OnesComplement8 => !sum() & 0xff,
            Self::Crc(crc) => crc.of(bytes),
        }
    }

    /// The sum of the values of a frame; `None` for checksums that are defined over bytes only.
    pub fn of_values(&self, values: &[u32]) -> Option<u64> {
        match self {
            Self::Sum(bits) => Some(values.iter().fold(0_u64, |sum, v| sum.wrapping_add(u64::from(*v))) & mask(*bits)),
            _ => None,
        }
    }

    /// The checksum with a name; letters may be large or small.
    pub fn named(name: &str) -> Option<Self> {
        match name.to_ascii_lowercase().as_str() {
            "sum-8" => Some(Self::Sum(8)),
            "sum-16" => Some(Self::Sum(16)),
            "sum-32" => Some(Self::Sum(32)),
            "xor-8" => Some(Self::Xor8),
            "twos-complement-8" => Some(Self::TwosComplement8),
            "ones-complement-8" => Some(Self::OnesComplement8),
            _ => crc_named(name).map(Self::Crc),
        }
    }
}

/// The parameters of every algorithm of the catalogue of at most 64 bits, and the function that finds one by its name.
macro_rules! catalogue {
    ($($name:ident)*) => {
        /// Identifier in the catalogue, parameters, and the check value: the CRC of the characters `123456789`.
        const CATALOGUE: &[(&str, Crc, u64)] = &[$((
            stringify!($name),
            Crc {
                width: catalog::$name.width,
                poly: catalog::$name.poly as u64,
                init: catalog::$name.init as u64,
                refin: catalog::$name.refin,
                refout: catalog::$name.refout,
                xorout: catalog::$name.xorout as u64,
            },
            catalog::$name.check as u64,
        )),*];
    };
}

fn crc_named(name: &str) -> Option<Crc> {
    let plain: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_uppercase() } else { '_' }).collect();
    CATALOGUE.iter().find(|(known, ..)| *known == plain).map(|(_, crc, _)| *crc)
}

catalogue! {
    CRC_3_GSM CRC_3_ROHC CRC_4_G_704 CRC_4_INTERLAKEN CRC_5_EPC_C1G2 CRC_5_G_704 CRC_5_USB CRC_6_CDMA2000_A
    CRC_6_CDMA2000_B CRC_6_DARC CRC_6_G_704 CRC_6_GSM CRC_7_MMC CRC_7_ROHC CRC_7_UMTS CRC_8_AUTOSAR
    CRC_8_BLUETOOTH CRC_8_CDMA2000 CRC_8_DARC CRC_8_DVB_S2 CRC_8_GSM_A CRC_8_GSM_B CRC_8_HITAG CRC_8_I_432_1
    CRC_8_I_CODE CRC_8_LTE CRC_8_MAXIM_DOW CRC_8_MIFARE_MAD CRC_8_NRSC_5 CRC_8_OPENSAFETY CRC_8_ROHC
    CRC_8_SAE_J1850 CRC_8_SMBUS CRC_8_TECH_3250 CRC_8_WCDMA CRC_10_ATM CRC_10_CDMA2000 CRC_10_GSM CRC_11_FLEXRAY
    CRC_11_UMTS CRC_12_CDMA2000 CRC_12_DECT CRC_12_GSM CRC_12_UMTS CRC_13_BBC CRC_14_DARC CRC_14_GSM CRC_15_CAN
    CRC_15_MPT1327 CRC_16_ARC CRC_16_CDMA2000 CRC_16_CMS CRC_16_DDS_110 CRC_16_DECT_R CRC_16_DECT_X CRC_16_DNP
    CRC_16_EN_13757 CRC_16_GENIBUS CRC_16_GSM CRC_16_IBM_3740 CRC_16_IBM_SDLC CRC_16_ISO_IEC_14443_3_A
    CRC_16_KERMIT CRC_16_LJ1200 CRC_16_M17 CRC_16_MAXIM_DOW CRC_16_MCRF4XX CRC_16_MODBUS CRC_16_NRSC_5
    CRC_16_OPENSAFETY_A CRC_16_OPENSAFETY_B CRC_16_PROFIBUS CRC_16_RIELLO CRC_16_SPI_FUJITSU CRC_16_T10_DIF
    CRC_16_TELEDISK CRC_16_TMS37157 CRC_16_UMTS CRC_16_USB CRC_16_XMODEM CRC_17_CAN_FD CRC_21_CAN_FD CRC_24_BLE
    CRC_24_FLEXRAY_A CRC_24_FLEXRAY_B CRC_24_INTERLAKEN CRC_24_LTE_A CRC_24_LTE_B CRC_24_OPENPGP CRC_24_OS_9
    CRC_30_CDMA CRC_31_PHILIPS CRC_32_AIXM CRC_32_AUTOSAR CRC_32_BASE91_D CRC_32_BZIP2 CRC_32_CD_ROM_EDC
    CRC_32_CKSUM CRC_32_ISCSI CRC_32_ISO_HDLC CRC_32_JAMCRC CRC_32_MEF CRC_32_MPEG_2 CRC_32_XFER CRC_40_GSM
    CRC_64_ECMA_182 CRC_64_GO_ISO CRC_64_MS CRC_64_NVME CRC_64_REDIS CRC_64_WE CRC_64_XZ
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: the catalogue gives the CRC of `123456789` for every algorithm.
    #[test]
    fn every_crc_of_the_catalogue_gives_its_check_value() {
        assert!(CATALOGUE.len() > 100, "{} algorithms", CATALOGUE.len());
        for (name, crc, check) in CATALOGUE {
            assert_eq!(crc.of(b"123456789"), *check, "{name}");
        }
    }

    /// Independent: the CRC-32 of another crate.
    #[test]
    fn crc_32_agrees_with_another_implementation() {
        let bytes: Vec<u8> = (0..500_u32).map(|i| (i * i % 251) as u8).collect();
        let crc = Checksum::named("CRC-32/ISO-HDLC").unwrap();
        assert_eq!(crc.of(&bytes), u64::from(crc32fast::hash(&bytes)));
        assert_eq!(Checksum::named("crc-32/iso-hdlc"), Some(crc));
        assert_eq!(Checksum::named("CRC-33/NONE"), None);
    }

    /// Identity: the definitions, on small numbers.
    #[test]
    fn sums_follow_their_definitions() {
        let of = |name| Checksum::named(name).unwrap().of(&[0xff, 0x02, 0x10]);
        assert_eq!((of("sum-8"), of("sum-16"), of("xor-8")), (0x11, 0x111, 0xed));
        assert_eq!((of("twos-complement-8") + 0x11) & 0xff, 0);
        assert_eq!(of("ones-complement-8"), 0xee);
        assert_eq!(Checksum::Sum(16).of_values(&[65_535, 2]), Some(1));
        assert_eq!(Checksum::Xor8.of_values(&[1]), None);
    }
}

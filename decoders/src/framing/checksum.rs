//! Checksums by name: plain sums, and every CRC of the catalogue that the crate
//! `crc` carries. Tells nothing of where in a frame a checksum lies.

use crc::Crc;

use crate::decoder::Integrity;

/// The names that are no CRC, with what they stand for.
pub const SUMS: [(&str, &str); 4] = [
    ("sum8", "sum of the bytes, modulo 256"),
    ("sum8-negated", "two's complement of that sum, so that both together are 0"),
    ("sum16", "sum of the bytes, modulo 65536"),
    ("xor8", "exclusive or of the bytes"),
];

type Compute = dyn Fn(&[u8]) -> u128 + Send + Sync;

/// A checksum that can be computed.
pub struct Algorithm {
    name: String,
    octets: usize,
    compute: Box<Compute>,
}

impl Algorithm {
    /// The algorithm of that name: one of [`SUMS`], or a CRC as the catalogue
    /// names it, such as `CRC-16/MODBUS`, in any case.
    pub fn named(name: &str) -> Option<Self> {
        let name = name.trim();
        sum(&name.to_lowercase()).or_else(|| crc(name))
    }

    /// Its name as the catalogue writes it.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How many bytes of a frame it takes.
    pub fn octets(&self) -> usize {
        self.octets
    }

    /// How much it protects.
    pub fn integrity(&self) -> Integrity {
        match SUMS.iter().any(|(name, _)| *name == self.name) {
            true => Integrity::Sum,
            false => Integrity::Crc,
        }
    }

    /// The checksum over `bytes`.
    pub fn compute(&self, bytes: &[u8]) -> u128 {
        (self.compute)(bytes)
    }

    fn of(
        name: &str,
        octets: usize,
        compute: impl Fn(&[u8]) -> u128 + Send + Sync + 'static,
    ) -> Self {
        Algorithm { name: name.to_owned(), octets, compute: Box::new(compute) }
    }
}

impl std::fmt::Debug for Algorithm {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.name)
    }
}

fn sum(name: &str) -> Option<Algorithm> {
    let sum8 = |bytes: &[u8]| bytes.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
    Some(match name {
        "sum8" => Algorithm::of(name, 1, move |bytes| sum8(bytes).into()),
        "sum8-negated" => Algorithm::of(name, 1, move |bytes| sum8(bytes).wrapping_neg().into()),
        "sum16" => Algorithm::of(name, 2, |bytes| {
            bytes.iter().fold(0u16, |sum, byte| sum.wrapping_add(u16::from(*byte))).into()
        }),
        "xor8" => {
            Algorithm::of(name, 1, |bytes| bytes.iter().fold(0, |xor, byte| xor ^ byte).into())
        }
        _ => return None,
    })
}

/// `CRC-16/ISO-IEC-14443-3-A` for `CRC_16_ISO_IEC_14443_3_A`.
fn catalogue_name(constant: &str) -> String {
    let mut marks = ['-', '/'].into_iter();
    constant.chars().map(|c| if c == '_' { marks.next().unwrap_or('-') } else { c }).collect()
}

/// `CRC_16_MODBUS` for `crc-16/modbus`.
fn constant_name(name: &str) -> String {
    let letter = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_uppercase() } else { '_' };
    name.chars().map(letter).collect()
}

/// The catalogue, by the width of the register: names and look-up.
macro_rules! catalogue {
    ($($width:ty: $($constant:ident)*;)*) => {
        const CONSTANTS: &[&str] = &[$($(stringify!($constant),)*)*];

        fn crc(name: &str) -> Option<Algorithm> {
            match constant_name(name).as_str() {
                $($(stringify!($constant) => {
                    let crc = Crc::<$width>::new(&crc::$constant);
                    let octets = usize::from(crc.algorithm.width).div_ceil(8);
                    let name = catalogue_name(stringify!($constant));
                    Some(Algorithm::of(&name, octets, move |bytes| crc.checksum(bytes).into()))
                })*)*
                _ => None,
            }
        }
    };
}

/// Every name, sums first.
pub fn names() -> impl Iterator<Item = String> {
    let sums = SUMS.iter().map(|(name, _)| (*name).to_owned());
    sums.chain(CONSTANTS.iter().map(|constant| catalogue_name(constant)))
}

catalogue! {
    u8:
        CRC_3_GSM CRC_3_ROHC CRC_4_G_704 CRC_4_INTERLAKEN CRC_5_EPC_C1G2 CRC_5_G_704 CRC_5_USB
        CRC_6_CDMA2000_A CRC_6_CDMA2000_B CRC_6_DARC CRC_6_G_704 CRC_6_GSM CRC_7_MMC CRC_7_ROHC
        CRC_7_UMTS CRC_8_AUTOSAR CRC_8_BLUETOOTH CRC_8_CDMA2000 CRC_8_DARC CRC_8_DVB_S2
        CRC_8_GSM_A CRC_8_GSM_B CRC_8_HITAG CRC_8_I_432_1 CRC_8_I_CODE CRC_8_LTE CRC_8_MAXIM_DOW
        CRC_8_MIFARE_MAD CRC_8_NRSC_5 CRC_8_OPENSAFETY CRC_8_ROHC CRC_8_SAE_J1850 CRC_8_SMBUS
        CRC_8_TECH_3250 CRC_8_WCDMA;
    u16:
        CRC_10_ATM CRC_10_CDMA2000 CRC_10_GSM CRC_11_FLEXRAY CRC_11_UMTS CRC_12_CDMA2000
        CRC_12_DECT CRC_12_GSM CRC_12_UMTS CRC_13_BBC CRC_14_DARC CRC_14_GSM CRC_15_CAN
        CRC_15_MPT1327 CRC_16_ARC CRC_16_CDMA2000 CRC_16_CMS CRC_16_DDS_110 CRC_16_DECT_R
        CRC_16_DECT_X CRC_16_DNP CRC_16_EN_13757 CRC_16_GENIBUS CRC_16_GSM CRC_16_IBM_3740
        CRC_16_IBM_SDLC CRC_16_ISO_IEC_14443_3_A CRC_16_KERMIT CRC_16_LJ1200 CRC_16_M17
        CRC_16_MAXIM_DOW CRC_16_MCRF4XX CRC_16_MODBUS CRC_16_NRSC_5 CRC_16_OPENSAFETY_A
        CRC_16_OPENSAFETY_B CRC_16_PROFIBUS CRC_16_RIELLO CRC_16_SPI_FUJITSU CRC_16_T10_DIF
        CRC_16_TELEDISK CRC_16_TMS37157 CRC_16_UMTS CRC_16_USB CRC_16_XMODEM;
    u32:
        CRC_17_CAN_FD CRC_21_CAN_FD CRC_24_BLE CRC_24_FLEXRAY_A CRC_24_FLEXRAY_B CRC_24_INTERLAKEN
        CRC_24_LTE_A CRC_24_LTE_B CRC_24_OPENPGP CRC_24_OS_9 CRC_30_CDMA CRC_31_PHILIPS
        CRC_32_AIXM CRC_32_AUTOSAR CRC_32_BASE91_D CRC_32_BZIP2 CRC_32_CD_ROM_EDC CRC_32_CKSUM
        CRC_32_ISCSI CRC_32_ISO_HDLC CRC_32_JAMCRC CRC_32_MEF CRC_32_MPEG_2 CRC_32_XFER;
    u64:
        CRC_40_GSM CRC_64_ECMA_182 CRC_64_GO_ISO CRC_64_MS CRC_64_NVME CRC_64_REDIS CRC_64_WE
        CRC_64_XZ;
    u128:
        CRC_82_DARC;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::vectors;

    fn hex(value: &str) -> u128 {
        u128::from_str_radix(value.trim_start_matches("0x"), 16).unwrap()
    }

    #[test]
    fn every_name_computes() {
        for name in names() {
            let algorithm = Algorithm::named(&name).unwrap();
            assert_eq!(algorithm.name(), name);
            assert!(algorithm.compute(b"123456789") >> (8 * algorithm.octets()) == 0, "{name}");
            assert_eq!(Algorithm::named(&name.to_lowercase()).unwrap().name(), name);
        }
        assert!(Algorithm::named("CRC-16").is_none() && Algorithm::named("").is_none());
    }

    #[test]
    fn the_check_values_of_the_crc_catalogue_come_out() {
        let vectors = vectors::of("frames", "crc");
        assert_eq!(vectors.len(), 10);
        for vector in vectors {
            let name = vector.case.trim_start_matches("check value of ");
            let found = Algorithm::named(name).unwrap().compute(vector.input_text().as_bytes());
            assert_eq!(found, hex(vector.value("crc").as_str().unwrap()), "{name}");
        }
    }

    /// NMEA 0183: exclusive or of what lies between `$` and `*`.
    #[test]
    fn the_exclusive_or_of_an_nmea_0183_sentence_comes_out() {
        for vector in vectors::of("frames", "checksum-xor") {
            let text = vector.input_text();
            let (covered, sent) = text[1..].trim_end().split_once('*').unwrap();
            let found = Algorithm::named("xor8").unwrap().compute(covered.as_bytes());
            assert_eq!(found == hex(sent), vector.is_ok(), "{}", vector.case);
            assert_eq!(found, 0x28);
        }
    }

    /// Intel HEX: two's complement of the sum of the record's bytes.
    #[test]
    fn the_sum_of_an_intel_hex_record_comes_out() {
        for vector in vectors::of("frames", "checksum-sum") {
            let record = vectors::bytes(&vector.input_text()[1..]);
            let (sent, covered) = record.split_last().unwrap();
            let found = Algorithm::named("sum8-negated").unwrap().compute(covered);
            assert_eq!(found == u128::from(*sent), vector.is_ok(), "{}", vector.case);
            assert_eq!(found, 0x1E);
        }
    }
}

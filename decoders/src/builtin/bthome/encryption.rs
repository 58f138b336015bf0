//! Encrypted BTHome v2 (bthome.io, "Encryption"): AES-128 in CCM mode with a tag
//! of 4 octets. The key is read and used here and nowhere shown.

use std::fmt;

use aes::Aes128;
use ccm::aead::{Aead, KeyInit};
use ccm::consts::{U4, U13};
use serde::{Deserialize, Deserializer};

type Cipher = ccm::Ccm<Aes128, U4, U13>;

const COUNTER_OCTETS: usize = 4;
const TAG_OCTETS: usize = 4;
/// The UUID of the service data, as sent.
const UUID: [u8; 2] = [0xD2, 0xFC];

/// A secret key. It is never printed, not even by a message about it.
#[derive(Clone, PartialEq, Eq)]
pub struct Key([u8; 16]);

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(not shown)")
    }
}

impl<'de> Deserialize<'de> for Key {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        // Taken as any value, because a message about a wrong type would quote it.
        let value = serde_json::Value::deserialize(deserializer)?;
        let digits = value.as_str().map(str::trim).unwrap_or_default().as_bytes();
        let mut key = [0; 16];
        let mut is_key = digits.len() == 2 * key.len();
        for (byte, two) in key.iter_mut().zip(digits.chunks(2)) {
            let two = std::str::from_utf8(two).ok().filter(|two| !two.starts_with('+'));
            match two.and_then(|two| u8::from_str_radix(two, 16).ok()) {
                Some(value) => *byte = value,
                None => is_key = false,
            }
        }
        match is_key {
            true => Ok(Key(key)),
            false => Err(serde::de::Error::custom("must be 32 hexadecimal digits in quotes")),
        }
    }
}

/// Opens encrypted data of one instrument.
pub struct Opener {
    cipher: Cipher,
    address: [u8; 6],
}

/// Data that has been opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Opened {
    /// Grows with each packet.
    pub counter: u32,
    /// The objects.
    pub objects: Vec<u8>,
}

/// Why data cannot be opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadSeal {
    /// There is no room for counter and tag.
    #[error("too short to be encrypted")]
    TooShort,
    /// The tag does not fit.
    #[error("authentication failed: it is damaged, or `key` or `address` is another's")]
    Authentication,
}

impl Opener {
    /// Opens what is sealed with this key by the instrument at this address.
    pub fn new(key: &Key, address: [u8; 6]) -> Self {
        Opener { cipher: Cipher::new(&key.0.into()), address }
    }

    /// The counter, which can be read before anything is opened.
    pub fn counter(payload: &[u8]) -> Result<u32, BadSeal> {
        let at = payload.len().checked_sub(COUNTER_OCTETS + TAG_OCTETS);
        let counter = at.and_then(|at| payload.get(at..at + COUNTER_OCTETS)?.try_into().ok());
        counter.map(u32::from_le_bytes).ok_or(BadSeal::TooShort)
    }

    /// Opens what follows the device information.
    pub fn open(&self, information: u8, payload: &[u8]) -> Result<Opened, BadSeal> {
        let counter = Self::counter(payload)?;
        let (sealed, tail) = payload.split_at(payload.len() - COUNTER_OCTETS - TAG_OCTETS);
        let (counter_octets, tag) = tail.split_at(COUNTER_OCTETS);
        let mut nonce = [0; 13];
        nonce[..6].copy_from_slice(&self.address);
        nonce[6..8].copy_from_slice(&UUID);
        nonce[8] = information;
        nonce[9..].copy_from_slice(counter_octets);
        let sealed = [sealed, tag].concat();
        let objects = self.cipher.decrypt(&nonce.into(), sealed.as_slice());
        let objects = objects.map_err(|_| BadSeal::Authentication)?;
        Ok(Opened { counter, objects })
    }

    /// Seals objects as an instrument does, for the tests.
    #[cfg(test)]
    pub fn seal(&self, information: u8, counter: u32, objects: &[u8]) -> Vec<u8> {
        let mut nonce = [0; 13];
        nonce[..6].copy_from_slice(&self.address);
        nonce[6..8].copy_from_slice(&UUID);
        nonce[8] = information;
        nonce[9..].copy_from_slice(&counter.to_le_bytes());
        let mut sealed = self.cipher.encrypt(&nonce.into(), objects).unwrap();
        let tag = sealed.split_off(objects.len());
        [&[information], &sealed[..], &counter.to_le_bytes(), &tag].concat()
    }
}

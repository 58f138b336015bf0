//! A meter whose frames are numbered and have a checksum, so that each one can
//! be found again, or missed. [`sources::numbered`](crate::util::sources::numbered)
//! reads them.

/// The frame with that number: sync, number, CRC-16/XMODEM.
pub fn numbered(number: u32) -> [u8; 8] {
    let mut frame = [0x59, 0x44, 0, 0, 0, 0, 0, 0];
    frame[2..6].copy_from_slice(&number.to_be_bytes());
    let crc = frame[..6].iter().fold(0, |crc: u16, byte| {
        (0..8).fold(crc ^ u16::from(*byte) << 8, |crc, _| {
            if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 }
        })
    });
    frame[6..].copy_from_slice(&crc.to_be_bytes());
    frame
}

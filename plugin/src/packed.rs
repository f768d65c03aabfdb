//! A long text as a short one that tells whether it is whole: compressed, with a checksum, in letters JSON can hold.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use std::io::{Read, Write};

/// Most that is unpacked of a project, bytes: what a damaged or hostile project may make of a short text.
pub const MAX_UNPACKED: usize = 64_000_000;

/// Packs bytes. The checksum is that of the format (Adler-32, RFC 1950).
///
/// # Errors
/// None is known: it writes to memory.
pub fn pack(bytes: &[u8]) -> std::io::Result<String> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(bytes)?;
    Ok(STANDARD.encode(encoder.finish()?))
}

/// Unpacks what [`pack`] made; `None` where it is damaged or longer than `most` bytes.
#[must_use]
pub fn unpack(text: &str, most: usize) -> Option<Vec<u8>> {
    let packed = STANDARD.decode(text).ok()?;
    let mut bytes = Vec::new();
    ZlibDecoder::new(packed.as_slice()).take(most as u64 + 1).read_to_end(&mut bytes).ok()?;
    (bytes.len() <= most).then_some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_packed_comes_back_and_damage_is_seen() {
        let text = "an attack ".repeat(1000);
        let packed = pack(text.as_bytes()).expect("memory");
        assert!(packed.len() < text.len() / 10);
        assert_eq!(unpack(&packed, MAX_UNPACKED).as_deref(), Some(text.as_bytes()));
        for at in 0..packed.len() - 4 {
            let mut damaged = packed.clone().into_bytes();
            damaged[at] = if damaged[at] == b'A' { b'B' } else { b'A' };
            let damaged = String::from_utf8(damaged).expect("letters");
            let back = unpack(&damaged, MAX_UNPACKED);
            assert!(back.is_none() || back.as_deref() == Some(text.as_bytes()), "at {at}");
        }
        assert_eq!(unpack(&packed[..packed.len() / 2], MAX_UNPACKED), None);
    }

    #[test]
    fn a_text_that_unpacks_without_end_is_refused() {
        let packed = pack(&vec![0; MAX_UNPACKED + 1]).expect("memory");
        assert!(packed.len() < 1_000_000);
        assert_eq!(unpack(&packed, MAX_UNPACKED), None);
    }
}

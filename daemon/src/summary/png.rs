//! PNG of 8-bit RGB pixels (W3C PNG specification, third edition): signature, IHDR, one IDAT, IEND.

use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;

/// Encodes rows of RGB pixels from the top. Each row is filtered by `Up`: charts repeat themselves downwards.
pub(super) fn encode(width: u32, height: u32, rgb: &[u8]) -> Vec<u8> {
    let mut png = vec![0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n'];
    let mut header = Vec::with_capacity(13);
    header.extend(width.to_be_bytes());
    header.extend(height.to_be_bytes());
    // 8 bits a sample, colour type RGB, the only compression and filter method, not interlaced.
    header.extend([8, 2, 0, 0, 0]);
    chunk(&mut png, *b"IHDR", &header);
    chunk(&mut png, *b"IDAT", &compressed(width, rgb));
    chunk(&mut png, *b"IEND", &[]);
    png
}

fn compressed(width: u32, rgb: &[u8]) -> Vec<u8> {
    let stride = width as usize * 3;
    let mut filtered = Vec::with_capacity(rgb.len() + rgb.len() / stride.max(1));
    let mut above: &[u8] = &[];
    for row in rgb.chunks_exact(stride.max(1)) {
        const UP: u8 = 2;
        filtered.push(UP);
        let up = above.iter().copied().chain(std::iter::repeat(0));
        filtered.extend(row.iter().zip(up).map(|(byte, up)| byte.wrapping_sub(up)));
        above = row;
    }
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
    // Writing to a Vec cannot fail.
    let _ = encoder.write_all(&filtered);
    encoder.finish().unwrap_or_default()
}

fn chunk(png: &mut Vec<u8>, kind: [u8; 4], data: &[u8]) {
    png.extend(u32::try_from(data.len()).unwrap_or(u32::MAX).to_be_bytes());
    let mut crc = crc32fast::Hasher::new();
    crc.update(&kind);
    crc.update(data);
    png.extend(kind);
    png.extend(data);
    png.extend(crc.finalize().to_be_bytes());
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_and_pixels_are_where_the_specification_wants_them() {
        let rgb = [255, 0, 0, 0, 255, 0, 0, 0, 255, 9, 8, 7];
        let png = encode(2, 2, &rgb);
        assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
        assert_eq!(&png[8..16], b"\x00\x00\x00\x0dIHDR");
        assert_eq!(&png[16..29], [0, 0, 0, 2, 0, 0, 0, 2, 8, 2, 0, 0, 0]);
        // The end chunk is the same in every PNG.
        assert_eq!(&png[png.len() - 12..], b"\0\0\0\0IEND\xae\x42\x60\x82");
        let size = usize::try_from(u32::from_be_bytes(png[33..37].try_into().unwrap())).unwrap();
        let mut inflated = Vec::new();
        std::io::Read::read_to_end(&mut flate2::read::ZlibDecoder::new(&png[41..41 + size]), &mut inflated)
            .unwrap();
        assert_eq!(inflated, [2, 255, 0, 0, 0, 255, 0, 2, 1, 0, 255, 9, 9, 7]);
    }
}

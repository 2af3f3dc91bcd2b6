//! Small files made by hand, byte by byte where the encoders at hand do not write such files.

/// One TIFF field: tag, type (2 ASCII, 3 SHORT, 4 LONG, 5 RATIONAL, 7 UNDEFINED) and its values.
#[derive(Clone)]
pub(crate) struct Field(pub(crate) u16, pub(crate) Values);

#[derive(Clone)]
pub(crate) enum Values {
    Ascii(&'static str),
    Short(Vec<u16>),
    Long(Vec<u32>),
    Rational(u32, u32),
    /// The offset of another directory made of these fields.
    Directory(Vec<Field>),
    Undefined(Vec<u8>),
    /// The offset of these bytes.
    Strip(Vec<u8>),
}

pub(crate) const EXIF_IFD: u16 = 34665;

/// A TIFF file (or EXIF block) of one directory.
pub(crate) fn tiff(big_endian: bool, fields: &[Field]) -> Vec<u8> {
    let mut out = if big_endian { b"MM\0*".to_vec() } else { b"II*\0".to_vec() };
    out.extend(u32_bytes(big_endian, 8));
    directory(&mut out, big_endian, fields);
    out
}

fn u16_bytes(big_endian: bool, v: u16) -> [u8; 2] {
    if big_endian { v.to_be_bytes() } else { v.to_le_bytes() }
}

fn u32_bytes(big_endian: bool, v: u32) -> [u8; 4] {
    if big_endian { v.to_be_bytes() } else { v.to_le_bytes() }
}

/// Appends a directory, and behind it whatever does not fit into its entries.
fn directory(out: &mut Vec<u8>, big_endian: bool, fields: &[Field]) {
    let mut fields = fields.to_vec();
    fields.sort_by_key(|f| f.0);
    out.extend(u16_bytes(big_endian, fields.len() as u16));
    let entries = out.len();
    out.resize(entries + fields.len() * 12 + 4, 0);
    for (i, Field(tag, values)) in fields.iter().enumerate() {
        let (kind, count, bytes) = match values {
            Values::Ascii(text) => (2, text.len() + 1, [text.as_bytes(), b"\0"].concat()),
            Values::Short(v) => (3, v.len(), v.iter().flat_map(|v| u16_bytes(big_endian, *v)).collect()),
            Values::Long(v) => (4, v.len(), v.iter().flat_map(|v| u32_bytes(big_endian, *v)).collect()),
            Values::Rational(n, d) => (5, 1, [u32_bytes(big_endian, *n), u32_bytes(big_endian, *d)].concat()),
            Values::Undefined(v) => (7, v.len(), v.clone()),
            Values::Directory(inner) => {
                let at = out.len() as u32;
                directory(out, big_endian, inner);
                (4, 1, u32_bytes(big_endian, at).to_vec())
            }
            Values::Strip(data) => {
                let at = out.len() as u32;
                out.extend(data);
                out.resize(out.len().next_multiple_of(2), 0);
                (4, 1, u32_bytes(big_endian, at).to_vec())
            }
        };
        let mut inline = bytes.clone();
        if bytes.len() > 4 {
            inline = u32_bytes(big_endian, out.len() as u32).to_vec();
            out.extend(bytes);
            out.resize(out.len().next_multiple_of(2), 0);
        }
        inline.resize(4, 0);
        let entry = [
            &u16_bytes(big_endian, *tag)[..],
            &u16_bytes(big_endian, kind),
            &u32_bytes(big_endian, count as u32),
            &inline,
        ]
        .concat();
        out[entries + 12 * i..entries + 12 * (i + 1)].copy_from_slice(&entry);
    }
}

/// Fields of an uncompressed picture in one strip.
pub(crate) fn picture_fields(width: u32, height: u32, bits: &[u16], photometric: u16, data: Vec<u8>) -> Vec<Field> {
    vec![
        Field(256, Values::Long(vec![width])),
        Field(257, Values::Long(vec![height])),
        Field(258, Values::Short(bits.to_vec())),
        Field(259, Values::Short(vec![1])),
        Field(262, Values::Short(vec![photometric])),
        Field(277, Values::Short(vec![bits.len() as u16])),
        Field(278, Values::Long(vec![height])),
        Field(279, Values::Long(vec![data.len() as u32])),
        Field(273, Values::Strip(data)),
    ]
}

/// Words of 16 bits in a file's byte order.
pub(crate) fn words(big_endian: bool, values: &[u16]) -> Vec<u8> {
    values.iter().flat_map(|v| u16_bytes(big_endian, *v)).collect()
}

/// An EXIF block with an orientation alone.
pub(crate) fn orientation_block(big_endian: bool, value: u16) -> Vec<u8> {
    tiff(big_endian, &[Field(274, Values::Short(vec![value]))])
}

/// A JPEG with an APP1 segment of EXIF put behind its first marker.
pub(crate) fn jpeg_with_exif(jpeg: &[u8], exif: &[u8]) -> Vec<u8> {
    let length = (exif.len() + 8) as u16;
    [&jpeg[..2], b"\xff\xe1", &length.to_be_bytes(), b"Exif\0\0", exif, &jpeg[2..]].concat()
}

/// A PNG with a chunk put behind its header chunk.
pub(crate) fn png_with_chunk(png: &[u8], kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let after_header = 8 + 25;
    [&png[..after_header], &png_chunk(kind, data), &png[after_header..]].concat()
}

pub(crate) fn png_chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let body = [&kind[..], data].concat();
    [&(data.len() as u32).to_be_bytes()[..], &body, &crc32(&body).to_be_bytes()].concat()
}

/// A whole PNG header for a picture that does not follow.
pub(crate) fn png_header(width: u32, height: u32, bits: u8, colour: u8) -> Vec<u8> {
    let mut data = [width.to_be_bytes(), height.to_be_bytes()].concat();
    data.extend([bits, colour, 0, 0, 0]);
    [&b"\x89PNG\r\n\x1a\n"[..], &png_chunk(b"IHDR", &data)].concat()
}

/// zlib with one stored block, for data below 65,536 bytes.
pub(crate) fn zlib_stored(data: &[u8]) -> Vec<u8> {
    let n = data.len() as u16;
    let (mut a, mut b) = (1_u32, 0_u32);
    for byte in data {
        a = (a + u32::from(*byte)) % 65_521;
        b = (b + a) % 65_521;
    }
    [&b"\x78\x01\x01"[..], &n.to_le_bytes(), &(!n).to_le_bytes(), data, &(b << 16 | a).to_be_bytes()].concat()
}

/// CRC-32 as PNG has it (ISO/IEC 15948, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _bit| if c & 1 == 1 { 0xedb8_8320 ^ c >> 1 } else { c >> 1 })
    })
}

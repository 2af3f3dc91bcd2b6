//! The few facts about a TIFF that must be known before it is handed to the decoder: whether it is a
//! camera's raw file, whether its first page is only a small preview, and where the tag stands that
//! says how samples are to be read. Reads bounds-checked from bytes; nothing here can fail hard.
//!
//! Source: TIFF 6.0 (1992) sections 2 and 8; TIFF/EP (ISO 12234-2) and DNG 1.4 for the raw tags.

const NEW_SUBFILE_TYPE: u16 = 254;
const IMAGE_WIDTH: u16 = 256;
const IMAGE_LENGTH: u16 = 257;
const BITS_PER_SAMPLE: u16 = 258;
const COMPRESSION: u16 = 259;
const PHOTOMETRIC: u16 = 262;
const MAKE: u16 = 271;
const COLOUR_MAP: u16 = 320;
const SUB_IFDS: u16 = 330;
const CFA_PATTERN: u16 = 33421;
const DNG_VERSION: u16 = 50706;

/// Sensible end to the number of pages walked.
const MAX_PAGES: usize = 4096;

pub(super) const WHITE_IS_ZERO: u64 = 0;
pub(super) const BLACK_IS_ZERO: u64 = 1;
pub(super) const PALETTE: u64 = 3;
const COLOUR_FILTER_ARRAY: u64 = 32803;
const LINEAR_RAW: u64 = 34892;

/// One page's tags that matter here.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Page {
    pub(super) width: u64,
    pub(super) height: u64,
    pub(super) bits: u64,
    pub(super) compression: u64,
    pub(super) photometric: u64,
    /// Byte position and length of the photometric value in the file.
    photometric_at: Option<(usize, usize)>,
    reduced: bool,
    sub_ifds: u64,
    camera: bool,
    raw: bool,
    /// Byte position of the colour map and its number of 16-bit entries.
    colour_map: Option<(usize, usize)>,
}

/// The file's byte order, word size and pages.
#[derive(Clone, Debug)]
pub(super) struct Tags {
    big_endian: bool,
    pub(super) pages: Vec<Page>,
}

/// True for the signature of TIFF or BigTIFF.
pub(super) fn is_tiff(bytes: &[u8]) -> bool {
    matches!(bytes.get(..4), Some(b"II*\0" | b"MM\0*" | b"II+\0" | b"MM\0+"))
}

/// True for a TIFF that is a camera's raw file, or whose first page is only a camera's preview of it.
pub(super) fn looks_raw(bytes: &[u8]) -> bool {
    let Some(tags) = Tags::read(bytes) else { return false };
    let Some(first) = tags.pages.first() else { return false };
    tags.pages.iter().any(|page| page.raw) || (first.reduced && first.sub_ifds > 0 && first.camera)
}

struct Reader<'a> {
    bytes: &'a [u8],
    big_endian: bool,
    big: bool,
}

impl Reader<'_> {
    fn uint(&self, at: usize, size: usize) -> Option<u64> {
        let raw = self.bytes.get(at..at.checked_add(size)?)?;
        let fold = |acc: u64, b: &u8| acc << 8 | u64::from(*b);
        Some(if self.big_endian { raw.iter().fold(0, fold) } else { raw.iter().rev().fold(0, fold) })
    }

    fn offset(&self, at: usize) -> Option<usize> {
        usize::try_from(self.uint(at, if self.big { 8 } else { 4 })?).ok()
    }

    /// Reads one page; returns it with the position of the next one.
    fn page(&self, at: usize) -> Option<(Page, usize)> {
        let (count_size, entry_size, word) = if self.big { (8, 20, 8) } else { (2, 12, 4) };
        let entries = usize::try_from(self.uint(at, count_size)?).ok()?.min(65_535);
        let first = at + count_size;
        let mut page = Page { bits: 1, compression: 1, ..Page::default() };
        for i in 0..entries {
            let entry = first + i * entry_size;
            let Some(tag) = self.uint(entry, 2) else { break };
            let (Some(kind), Some(count)) = (self.uint(entry + 2, 2), self.uint(entry + 4, word)) else { break };
            let size = match kind {
                1 | 2 | 6 | 7 => 1,
                3 | 8 => 2,
                5 | 10 | 12 | 16 | 17 | 18 => 8,
                _ => 4,
            };
            let inline = entry + 4 + word;
            let stored = count.saturating_mul(size as u64);
            let place = if stored <= word as u64 { Some(inline) } else { self.offset(inline) };
            let Some(place) = place else { continue };
            let value = self.uint(place, size).unwrap_or(0);
            match tag as u16 {
                NEW_SUBFILE_TYPE => page.reduced = value & 1 == 1,
                IMAGE_WIDTH => page.width = value,
                IMAGE_LENGTH => page.height = value,
                BITS_PER_SAMPLE => page.bits = value,
                COMPRESSION => page.compression = value,
                PHOTOMETRIC => {
                    page.photometric = value;
                    page.photometric_at = Some((place, size));
                    page.raw |= matches!(value, COLOUR_FILTER_ARRAY | LINEAR_RAW);
                }
                MAKE => page.camera = true,
                COLOUR_MAP if size == 2 => page.colour_map = Some((place, usize::try_from(count).unwrap_or(0))),
                SUB_IFDS => page.sub_ifds = count,
                CFA_PATTERN | DNG_VERSION => page.raw = true,
                _ => {}
            }
        }
        Some((page, self.offset(first + entries * entry_size).unwrap_or(0)))
    }
}

impl Tags {
    /// Walks the pages; `None` when the header is not that of a TIFF.
    pub(super) fn read(bytes: &[u8]) -> Option<Self> {
        if !is_tiff(bytes) {
            return None;
        }
        let big_endian = bytes.starts_with(b"MM");
        let big = bytes.get(2..4)?.contains(&b'+');
        let reader = Reader { bytes, big_endian, big };
        let mut next = reader.offset(if big { 8 } else { 4 })?;
        let mut pages = Vec::new();
        let mut seen = Vec::new();
        while next != 0 && pages.len() < MAX_PAGES && !seen.contains(&next) {
            seen.push(next);
            let Some((page, after)) = reader.page(next) else { break };
            pages.push(page);
            next = after;
        }
        Some(Self { big_endian, pages })
    }

    /// Byte position, length and content to write there so that the first page's samples are handed out as they are
    /// stored, as grey: the way to decode palette pictures and inverted ones of any depth.
    pub(super) fn as_plain_grey(&self) -> Option<(usize, Vec<u8>)> {
        let (at, size) = self.pages.first()?.photometric_at?;
        let mut value = vec![0; size];
        *(if self.big_endian { value.last_mut() } else { value.first_mut() })? = BLACK_IS_ZERO as u8;
        Some((at, value))
    }

    /// The first page's colour map: red, green and blue at 16 bits for each index.
    pub(super) fn colour_map(&self, bytes: &[u8]) -> Option<Vec<[u16; 3]>> {
        let (at, count) = self.pages.first()?.colour_map?;
        let n = count / 3;
        let raw = bytes.get(at..at.checked_add(count.checked_mul(2)?)?)?;
        let read = |i: usize| {
            let pair = [raw[2 * i], raw[2 * i + 1]];
            if self.big_endian { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) }
        };
        Some((0..n).map(|i| [read(i), read(n + i), read(2 * n + i)]).collect())
    }
}

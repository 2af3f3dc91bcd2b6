//! Whether a JPEG holds all of its picture, told without decoding it.
//!
//! A decoder that runs into the end marker early goes on with zeros, and the lower part of the picture comes
//! out flat or striped without an error. This walk follows the Huffman codes of a baseline or extended
//! sequential picture through every block and notices where they end. A progressive picture is checked for
//! scans that never came; one cut within its last scan and closed again passes.
//!
//! Source: ITU-T T.81 (1992), clauses A.2, B.2, C, F.2.2 and G.1.1.1.

use super::error::PhotoErrorKind;
use super::format::Format;
use super::limits::Limits;

const NAME: &str = Format::Jpeg.name();

/// Codes up to this length are looked up at once; longer ones, which are rare, are searched.
const LOOKUP_BITS: u32 = 9;

/// Walks the whole file.
///
/// # Errors
/// `Truncated` where picture data or the end marker are missing; `TooManyPixels` or `TooMuchMemory` by the limits.
pub(super) fn check(bytes: &[u8], limits: &Limits) -> Result<(), PhotoErrorKind> {
    Walk::new(bytes, limits).run()
}

#[derive(Clone, Copy, Default)]
struct Component {
    id: u8,
    across: u64,
    down: u64,
    /// For each coefficient, the bit down to which it has come; `None` where it has not come at all.
    reached: Option<[Option<u8>; 64]>,
}

struct Walk<'a> {
    bytes: &'a [u8],
    limits: &'a Limits,
    at: usize,
    progressive: bool,
    /// True where the blocks can be followed: Huffman-coded and sequential.
    followed: bool,
    size: (u64, u64),
    components: Vec<Component>,
    tables: [Option<Table>; 8],
    restart_interval: u64,
    scans: usize,
}

impl<'a> Walk<'a> {
    fn new(bytes: &'a [u8], limits: &'a Limits) -> Self {
        Self {
            bytes,
            limits,
            at: 2,
            progressive: false,
            followed: false,
            size: (0, 0),
            components: Vec::new(),
            tables: [const { None }; 8],
            restart_interval: 0,
            scans: 0,
        }
    }

    fn run(mut self) -> Result<(), PhotoErrorKind> {
        loop {
            // Between segments stray bytes are skipped, behind a scan what is left of its data.
            let step = self.bytes.get(self.at..).and_then(|rest| rest.iter().position(|b| *b == 0xff));
            let Some(step) = step else { return Err(self.cut("the end marker")) };
            self.at += step;
            let Some(&marker) = self.bytes.get(self.at + 1) else { return Err(self.cut("the end marker")) };
            match marker {
                0xff => self.at += 1,
                0x00 | 0x01 | 0xd0..=0xd8 => self.at += 2,
                0xd9 => return self.finish(),
                _ => {
                    let Some(&[high, low]) = self.bytes.get(self.at + 2..self.at + 4) else {
                        return Err(self.cut("the end marker"));
                    };
                    let length = usize::from(high) << 8 | usize::from(low);
                    let start = self.at + 4;
                    self.at += 2 + length.max(2);
                    let Some(segment) = self.bytes.get(start..self.at) else { return Err(self.cut("the end marker")) };
                    self.segment(marker, segment)?;
                }
            }
        }
    }

    fn finish(&self) -> Result<(), PhotoErrorKind> {
        if self.scans == 0 {
            return Err(self.cut("a picture"));
        }
        if self.progressive {
            let came = |c: &Component| c.reached.is_some_and(|bits| bits.iter().all(|bit| *bit == Some(0)));
            if !self.components.iter().all(came) {
                return Err(self.cut("all of the scans that refine the picture"));
            }
        }
        Ok(())
    }

    fn cut(&self, missing: &str) -> PhotoErrorKind {
        let at = self.at.min(self.bytes.len());
        PhotoErrorKind::Truncated { format: NAME, detail: format!("the data end at byte {at} without {missing}") }
    }

    fn segment(&mut self, marker: u8, segment: &[u8]) -> Result<(), PhotoErrorKind> {
        match marker {
            0xc4 => self.huffman_tables(segment),
            0xc0..=0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf => self.frame(marker, segment)?,
            0xdd => self.restart_interval = segment.get(..2).map_or(0, |b| u64::from(b[0]) << 8 | u64::from(b[1])),
            0xda => self.scan(segment)?,
            _ => {}
        }
        Ok(())
    }

    fn frame(&mut self, marker: u8, segment: &[u8]) -> Result<(), PhotoErrorKind> {
        let Some((&[_bits, h1, h0, w1, w0, n], rest)) = segment.split_first_chunk::<6>() else { return Ok(()) };
        let sixteen = |high: u8, low: u8| u64::from(high) << 8 | u64::from(low);
        self.size = (sixteen(w1, w0), sixteen(h1, h0));
        self.limits.check(self.size.0, self.size.1, u64::from(n))?;
        self.progressive = marker == 0xc2;
        self.components = rest
            .as_chunks::<3>()
            .0
            .iter()
            .map(|[id, sampling, _table]| Component {
                id: *id,
                across: u64::from(sampling >> 4),
                down: u64::from(sampling & 15),
                reached: None,
            })
            .collect();
        let sane = self.components.iter().all(|c| (1..=4).contains(&c.across) && (1..=4).contains(&c.down));
        // A height of 0 is stated after the first scan, which nothing here needs.
        self.followed = matches!(marker, 0xc0 | 0xc1) && sane && self.size.1 > 0;
        Ok(())
    }

    fn huffman_tables(&mut self, mut segment: &[u8]) {
        while let Some((&class_and_place, rest)) = segment.split_first() {
            let Some((counts, rest)) = rest.split_first_chunk::<16>() else { return };
            let n: usize = counts.iter().map(|c| usize::from(*c)).sum();
            let (Some(symbols), Some(rest)) = (rest.get(..n), rest.get(n..)) else { return };
            let slot = usize::from(class_and_place >> 4 & 1) * 4 + usize::from(class_and_place & 3);
            self.tables[slot] = Some(Table::new(counts, symbols));
            segment = rest;
        }
    }

    fn scan(&mut self, segment: &[u8]) -> Result<(), PhotoErrorKind> {
        self.scans += 1;
        let Some((&n, rest)) = segment.split_first() else { return Ok(()) };
        let n = usize::from(n);
        let (Some(chosen), Some(&[first, last, approximation])) = (rest.get(..2 * n), rest.get(2 * n..2 * n + 3))
        else {
            return Ok(());
        };
        let chosen = chosen.as_chunks::<2>().0;
        for component in self.components.iter_mut().filter(|c| chosen.iter().any(|[id, _]| *id == c.id)) {
            let reached = component.reached.get_or_insert([None; 64]);
            for bit in reached.iter_mut().take(usize::from(last.min(63)) + 1).skip(usize::from(first)) {
                *bit = Some(approximation & 15);
            }
        }
        if self.followed { self.follow(chosen) } else { Ok(()) }
    }

    /// Follows the codes of one scan from block to block.
    fn follow(&mut self, chosen: &[[u8; 2]]) -> Result<(), PhotoErrorKind> {
        let most = |of: fn(&Component) -> u64| self.components.iter().map(of).max().unwrap_or(1);
        let (most_across, most_down) = (most(|c| c.across), most(|c| c.down));
        let mut blocks = Vec::new();
        for [id, tables] in chosen {
            let Some(component) = self.components.iter().find(|c| c.id == *id) else { return Ok(()) };
            let (dc, ac) = (usize::from(tables >> 4 & 3), 4 + usize::from(tables & 3));
            let (Some(dc), Some(ac)) = (&self.tables[dc], &self.tables[ac]) else { return Ok(()) };
            // Alone in a scan, a component has one block a unit (A.2.2).
            let n = if chosen.len() == 1 { 1 } else { component.across * component.down };
            blocks.extend((0..n).map(|_block| (dc, ac)));
        }
        let (across, down) = match chosen {
            [[id, _]] => {
                let Some(c) = self.components.iter().find(|c| c.id == *id) else { return Ok(()) };
                let blocks = |side: u64, own: u64, most: u64| (side * own).div_ceil(most).div_ceil(8);
                (blocks(self.size.0, c.across, most_across), blocks(self.size.1, c.down, most_down))
            }
            _ => (self.size.0.div_ceil(8 * most_across), self.size.1.div_ceil(8 * most_down)),
        };
        let units = across * down;
        let mut bits = Bits { bytes: self.bytes, at: self.at, held: 0, n: 0 };
        for unit in 0..units {
            if self.restart_interval > 0 && unit > 0 && unit % self.restart_interval == 0 && !bits.restart() {
                self.at = bits.at;
                return Err(ends_early(unit, units));
            }
            for (dc, ac) in &blocks {
                if bits.block(dc, ac).is_none() {
                    self.at = bits.at;
                    return Err(ends_early(unit, units));
                }
            }
        }
        self.at = bits.at;
        Ok(())
    }
}

fn ends_early(unit: u64, units: u64) -> PhotoErrorKind {
    let percent = 100 * unit / units.max(1);
    PhotoErrorKind::Truncated { format: NAME, detail: format!("the picture breaks off after {percent} % of its area") }
}

/// One Huffman table (C.2).
struct Table {
    /// For the next bits: length of the code in the high byte, symbol in the low one; 0 for longer codes.
    short: [u16; 1 << LOOKUP_BITS],
    /// For a coefficient's next bits: how far it leads within the block in the high byte, code and value together in bits in the low one;
    /// 0 for longer codes.
    steps: [u16; 1 << LOOKUP_BITS],
    /// For each length from 1: the first code beyond those of the length, and what to add for the symbol's place.
    ends: [(u32, i64); 16],
    symbols: Vec<u8>,
}

impl Table {
    fn new(counts: &[u8; 16], symbols: &[u8]) -> Self {
        let mut short = [0; 1 << LOOKUP_BITS];
        let mut ends = [(0, 0); 16];
        let (mut code, mut place) = (0_u32, 0_usize);
        for (i, count) in counts.iter().enumerate() {
            let length = i as u32 + 1;
            ends[i].1 = place as i64 - i64::from(code);
            for _symbol in 0..*count {
                if length <= LOOKUP_BITS {
                    let spare = LOOKUP_BITS - length;
                    let from = (code << spare) as usize;
                    let entry = (length as u16) << 8 | u16::from(symbols.get(place).copied().unwrap_or(0));
                    for slot in short.iter_mut().skip(from).take(1 << spare) {
                        *slot = entry;
                    }
                }
                code += 1;
                place += 1;
            }
            ends[i].0 = code;
            code <<= 1;
        }
        let steps = short.map(|entry| {
            let (length, run, size) = (entry >> 8, entry >> 4 & 15, entry & 15);
            // Sixteen zeros, the end of the block, or zeros and a value.
            let far = match (run, size) {
                (15, 0) => 16,
                (_, 0) => 64,
                _ => run + 1,
            };
            if entry == 0 { 0 } else { far << 8 | (length + size) }
        });
        Self { short, steps, ends, symbols: symbols.to_vec() }
    }
}

/// The coded bits, without the zero bytes stuffed behind 0xff.
struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    /// The next bits, the first one highest.
    held: u64,
    n: u32,
}

impl Bits<'_> {
    #[inline]
    fn fill(&mut self) {
        if let Some(four) = self.bytes.get(self.at..self.at + 4)
            && self.n <= 32
            && !four.contains(&0xff)
        {
            let word = u64::from(u32::from_be_bytes([four[0], four[1], four[2], four[3]]));
            self.held |= word << (32 - self.n);
            self.n += 32;
            self.at += 4;
            return;
        }
        while self.n <= 56 {
            let Some(&byte) = self.bytes.get(self.at) else { return };
            if byte == 0xff {
                // Anything but a stuffed zero is a marker: no more bits.
                if self.bytes.get(self.at + 1) != Some(&0) {
                    return;
                }
                self.at += 1;
            }
            self.at += 1;
            self.held |= u64::from(byte) << (56 - self.n);
            self.n += 8;
        }
    }

    #[inline]
    fn skip(&mut self, n: u32) -> Option<()> {
        if n > self.n {
            return None;
        }
        self.held <<= n;
        self.n -= n;
        Some(())
    }

    /// The next symbol, `None` where the bits end or are no code.
    #[inline]
    fn symbol(&mut self, table: &Table) -> Option<u8> {
        let entry = table.short[(self.held >> (64 - LOOKUP_BITS)) as usize];
        if entry != 0 {
            self.skip(u32::from(entry >> 8))?;
            return Some(entry as u8);
        }
        (LOOKUP_BITS + 1..=16)
            .find_map(|length| {
                let code = (self.held >> (64 - length)) as u32;
                let (end, place) = table.ends[length as usize - 1];
                (code < end).then_some((length, i64::from(code) + place))
            })
            .and_then(|(length, place)| {
                self.skip(length)?;
                table.symbols.get(usize::try_from(place).ok()?).copied()
            })
    }

    /// Passes over one block.
    #[inline]
    fn block(&mut self, dc: &Table, ac: &Table) -> Option<()> {
        if self.n < 32 {
            self.fill();
        }
        let size = self.symbol(dc)?;
        self.skip(u32::from(size & 15))?;
        let mut k = 1;
        while k < 64 {
            if self.n < 32 {
                self.fill();
            }
            let step = ac.steps[(self.held >> (64 - LOOKUP_BITS)) as usize];
            let bits = u32::from(step & 255);
            if step != 0 && bits <= self.n {
                self.held <<= bits;
                self.n -= bits;
                k += u32::from(step >> 8);
                continue;
            }
            let run_and_size = self.symbol(ac)?;
            let (run, size) = (run_and_size >> 4, run_and_size & 15);
            match (run, size) {
                (15, 0) => k += 16,
                (_, 0) => break,
                _ => {
                    k += u32::from(run) + 1;
                    self.skip(u32::from(size))?;
                }
            }
        }
        Some(())
    }

    /// Passes over a restart marker; false where none stands here.
    fn restart(&mut self) -> bool {
        (self.held, self.n) = (0, 0);
        // Read ahead may not have passed a marker, so it can only lie ahead.
        let Some(step) = self
            .bytes
            .get(self.at..)
            .and_then(|rest| rest.windows(2).position(|pair| pair[0] == 0xff && pair[1] != 0 && pair[1] != 0xff))
        else {
            return false;
        };
        let marker = self.bytes[self.at + step + 1];
        if !matches!(marker, 0xd0..=0xd7) {
            return false;
        }
        self.at += step + 2;
        true
    }
}

//! Lines of tables, as an editor counts them.

/// The line, from 1, on which the record at `position` of `text` begins.
///
/// The reader's own count stands at the end of the record before; comments and empty lines between the two are passed here.
pub(crate) fn line_of(text: &[u8], position: Option<&csv::Position>, comment: Option<u8>) -> u64 {
    let Some(position) = position else { return 1 };
    let start = usize::try_from(position.byte()).ok();
    let mut rest = start.and_then(|start| text.get(start..)).unwrap_or_default();
    let mut line = position.line();
    while let Some((first, behind)) = rest.split_first() {
        if *first == b'\n' {
            (line, rest) = (line + 1, behind);
        } else if *first == b'\r' {
            rest = behind;
        } else if Some(*first) == comment {
            let Some(end) = rest.iter().position(|b| *b == b'\n') else { break };
            (line, rest) = (line + 1, rest.get(end + 1..).unwrap_or_default());
        } else {
            break;
        }
    }
    line
}

#[cfg(test)]
mod tests {
    use super::line_of;

    #[test]
    fn comments_empty_lines_and_quoted_line_breaks_count() {
        for end in ["\n", "\r\n"] {
            let text = ["a,b", "# x", "", "1,2", "\"3", "3\",4", "#", "5,6", "7,8"].join(end);
            let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
            let lines: Vec<u64> =
                reader.records().map(|r| line_of(text.as_bytes(), r.unwrap().position(), Some(b'#'))).collect();
            assert_eq!(lines, [4, 5, 8, 9], "{end:?}");
        }
    }
}

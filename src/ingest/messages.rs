//! An Arrow IPC stream, message by message: what is handed on was looked at before, and no more than one message is held.
//!
//! In: any reader. Out: [`Messages`], the same bytes. A message is a mark, the length of its description, the description, and
//! a body whose length stands in it ("Arrow Columnar Format", section on the streaming format).

use super::bodies;
use std::io::{self, Error, ErrorKind, Read, Seek, SeekFrom};

/// Mark and length of a message's description.
const HEAD: u64 = 8;

/// Hands on a stream of messages.
pub(super) struct Messages<'a> {
    inner: Box<dyn Read + 'a>,
    message: Vec<u8>,
    at: usize,
    /// Bytes of all messages before.
    before: u64,
    room: bodies::Room,
}

impl<'a> Messages<'a> {
    pub(super) fn new(inner: impl Read + 'a) -> Self {
        Self {
            inner: Box::new(inner),
            message: Vec::new(),
            at: 0,
            before: 0,
            room: bodies::Room::of_stream(),
        }
    }

    /// Reads the next message; one that was cut off is handed on as it is, and found wanting by its reader.
    fn next(&mut self) -> io::Result<()> {
        self.before += self.message.len() as u64;
        self.message.clear();
        self.at = 0;
        self.take(HEAD)?;
        let is_whole = self.message.len() as u64 == HEAD;
        let length = match bodies::description(&self.message) {
            Some(length) => length,
            // Without its mark it would be taken for one by the library, and not by us.
            None if is_whole => {
                return Err(Error::new(
                    ErrorKind::InvalidData,
                    "no message begins where one should",
                ));
            }
            None => 0,
        };
        self.take(length)?;
        let body = bodies::body(&self.message).unwrap_or(0);
        self.take(body)?;
        match bodies::is_sound_next(&self.message, &mut self.room) {
            true => Ok(()),
            false => Err(Error::new(
                ErrorKind::InvalidData,
                "it names sizes that cannot be meant",
            )),
        }
    }

    fn take(&mut self, bytes: u64) -> io::Result<()> {
        let mut some = (&mut self.inner).take(bytes);
        some.read_to_end(&mut self.message).map(drop)
    }

    fn left(&self) -> &[u8] {
        self.message.get(self.at..).unwrap_or_default()
    }
}

impl Read for Messages<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.left().is_empty() {
            self.next()?;
        }
        let got = self.left().read(into)?;
        self.at += got;
        Ok(got)
    }
}

/// Forwards within a message only, which is what leaving out a column asks for.
impl Seek for Messages<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let SeekFrom::Current(by) = to else {
            return Err(ErrorKind::Unsupported.into());
        };
        let by = usize::try_from(by).map_err(|_| Error::from(ErrorKind::InvalidInput))?;
        self.at = self.at.saturating_add(by).min(self.message.len());
        Ok(self.before + self.at as u64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STREAM: &[u8] = include_bytes!("../../tests/it/data/tables/columns.arrows");

    #[test]
    fn the_same_bytes_come_out_one_message_at_a_time() {
        let mut messages = Messages::new(STREAM);
        let (mut out, mut most) = (Vec::<u8>::new(), 0);
        let mut some = [0; 100];
        loop {
            let got = messages.read(&mut some).unwrap();
            most = most.max(messages.message.len());
            out.extend(&some[..got]);
            if got == 0 {
                break;
            }
        }
        assert_eq!(out, STREAM);
        assert!(most < STREAM.len(), "all of it was held");
    }

    #[test]
    fn a_cut_stream_ends_where_it_was_cut() {
        for cut in 0..STREAM.len() {
            let mut out = Vec::new();
            let read = Messages::new(&STREAM[..cut]).read_to_end(&mut out);
            // A batch whose parts are not all there names more than there is.
            assert!(read.is_err() || out == STREAM[..cut], "{cut}");
            assert!(STREAM.starts_with(&out), "{cut}");
        }
    }
}

//! What must hold for any bytes handed to the WAV reader.

/// Reads `data` as a WAV file: it answers with sound that keeps its promises, or with one line that names the file.
pub fn fuzz(data: &[u8]) {
    match audio::wav::decode(data, "any.wav") {
        Ok(wav) => {
            let frames = wav.frames();
            assert!(frames > 0 && !wav.channels.is_empty());
            assert!((8_000..=192_000).contains(&wav.rate_hz));
            assert!(wav.channels.iter().all(|channel| channel.len() == frames));
            assert!(wav.channels.iter().flatten().all(|sample| sample.is_finite()));
            let bytes = frames * wav.channels.len() * usize::from(wav.encoding.bytes());
            assert!(bytes <= data.len(), "more sound than bytes");
            assert!(wav.doubts.iter().all(|doubt| !doubt.to_string().contains('\n')));
        }
        Err(error) => {
            let words = error.to_string();
            assert!(words.contains("any.wav") && !words.contains('\n'), "{words}");
        }
    }
}

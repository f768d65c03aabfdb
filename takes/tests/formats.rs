//! Every format gives the samples that were put in, at their place in time.
//!
//! Files are written by encoders from outside, or by hand after the formats' own papers (RIFF/WAVE 1991,
//! EBU Tech 3306 for RF64, ITU-R BS.2088 for BW64, AIFF 1.3 and AIFF-C).

mod common;

use common::{RATE, Takes, note, stereo};
use notefront_takes::audio_file::{AudioFile, ChannelChoice};
use std::num::{NonZeroU8, NonZeroU32};
use std::path::{Path, PathBuf};

/// All samples of a take, as the analysis gets them.
fn read(path: &Path) -> Vec<f32> {
    let mut file = AudioFile::open(path, ChannelChoice::Mix).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut samples = Vec::new();
    while let Some(block) = file.next_block().expect("a readable disk") {
        samples.extend_from_slice(block);
    }
    assert_eq!(file.findings().promised_s, None, "all that the header promised came");
    assert_eq!(file.findings().damage, None);
    samples
}

/// The samples of one note, within half a step of so many bits and the 1/32768 between the scales of encoders.
fn assert_is_the_note(path: &Path, bits: i32) {
    let expected = note(RATE, 1.5);
    let samples = read(path);
    assert_eq!(samples.len(), expected.len(), "{}", path.display());
    let tolerance = 1.01 * 2f32.powi(-bits) + 1.0 / 32_768.0;
    let worst = samples.iter().zip(&expected).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
    assert!(worst <= tolerance, "{}: off by {worst}, {tolerance} allowed", path.display());
}

fn quantised(bits: u32) -> Vec<i32> {
    let scale = f64::from((1i64 << (bits - 1)) as u32);
    note(RATE, 1.5).iter().map(|&x| (f64::from(x) * scale).round().clamp(-scale, scale - 1.0) as i32).collect()
}

fn int_wav(takes: &Takes, bits: u16) -> PathBuf {
    let path = takes.path(&format!("{bits}.wav"));
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&path, spec).expect("room");
    for sample in quantised(u32::from(bits)) {
        writer.write_sample(sample).expect("a valid sample");
    }
    writer.finalize().expect("room");
    path
}

#[test]
fn wav_of_every_integer_width() {
    let takes = Takes::new();
    for bits in [8, 16, 24, 32] {
        assert_is_the_note(&int_wav(&takes, bits), i32::from(bits));
    }
}

/// A chunk: tag, length, body, pad.
fn chunk(tag: &[u8; 4], body: &[u8], len: [u8; 4]) -> Vec<u8> {
    [tag, &len[..], body, &[0][..body.len() % 2]].concat()
}

fn le_chunk(tag: &[u8; 4], body: &[u8]) -> Vec<u8> {
    chunk(tag, body, (body.len() as u32).to_le_bytes())
}

fn be_chunk(tag: &[u8; 4], body: &[u8]) -> Vec<u8> {
    chunk(tag, body, (body.len() as u32).to_be_bytes())
}

/// A `fmt ` body of one channel: tag 1 is integer, 3 is float.
fn fmt(tag: u16, bits: u16) -> Vec<u8> {
    let frame = bits / 8;
    [
        &tag.to_le_bytes()[..],
        &1u16.to_le_bytes(),
        &RATE.to_le_bytes(),
        &(RATE * u32::from(frame)).to_le_bytes(),
        &frame.to_le_bytes(),
        &bits.to_le_bytes(),
    ]
    .concat()
}

fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    [&b"RIFF"[..], &(4 + body.len() as u32).to_le_bytes(), b"WAVE", &body].concat()
}

fn pcm16() -> Vec<u8> {
    quantised(16).iter().flat_map(|&s| (s as i16).to_le_bytes()).collect()
}

#[test]
fn wav_of_both_float_widths() {
    let takes = Takes::new();
    let singles: Vec<u8> = note(RATE, 1.5).iter().flat_map(|x| x.to_le_bytes()).collect();
    let doubles: Vec<u8> = note(RATE, 1.5).iter().flat_map(|&x| f64::from(x).to_le_bytes()).collect();
    for (bits, data) in [(32, singles), (64, doubles)] {
        let wav = riff(&[le_chunk(b"fmt ", &fmt(3, bits)), le_chunk(b"data", &data)]);
        assert_is_the_note(&takes.bytes(&format!("float{bits}.wav"), wav), 24);
    }
}

#[test]
fn wav_with_chunks_around_the_sound() {
    // An odd chunk before (padded), a format chunk with an empty extension, and a cue after the sound.
    let takes = Takes::new();
    let extended = [fmt(1, 16), vec![0, 0]].concat();
    let wav = riff(&[
        le_chunk(b"bext", &[7; 601]),
        le_chunk(b"fmt ", &extended),
        le_chunk(b"data", &pcm16()),
        le_chunk(b"cue ", &[0; 4]),
    ]);
    assert_is_the_note(&takes.bytes("chunks.wav", wav), 16);
}

#[test]
fn rf64_and_bw64() {
    // The sizes in the 32-bit fields are all ones; those in `ds64` (riff, data, samples, table) hold.
    let takes = Takes::new();
    let data = pcm16();
    let num_samples = data.len() as u64 / 2;
    let sizes = [data.len() as u64 + 72, data.len() as u64, num_samples];
    let ds64: Vec<u8> = sizes.iter().flat_map(|n| n.to_le_bytes()).chain([0; 4]).collect();
    for tag in [b"RF64", b"BW64"] {
        let chunks = [le_chunk(b"ds64", &ds64), le_chunk(b"fmt ", &fmt(1, 16)), chunk(b"data", &data, [0xff; 4])];
        // What follows the sound must not be taken for sound.
        let after = le_chunk(b"LIST", &[0xaa; 500]);
        let file = [&tag[..], &[0xff; 4], b"WAVE", &chunks.concat(), &after].concat();
        assert_is_the_note(&takes.bytes("long.wav", file), 16);
    }
}

/// The IEEE 754 80-bit extended number of a rate (AIFF's `COMM`).
fn extended(rate: u32) -> [u8; 10] {
    let shift = rate.leading_zeros();
    let exponent = 16_383 + 31 - shift as u16;
    let mantissa = u64::from(rate << shift) << 32;
    let mut bytes = [0; 10];
    bytes[..2].copy_from_slice(&exponent.to_be_bytes());
    bytes[2..].copy_from_slice(&mantissa.to_be_bytes());
    bytes
}

fn aiff(form: &[u8; 4], bits: u16, num_frames: usize, compression: &[u8], sound: &[u8], sound_first: bool) -> Vec<u8> {
    let comm = [
        &1u16.to_be_bytes()[..],
        &(num_frames as u32).to_be_bytes(),
        &bits.to_be_bytes(),
        &extended(RATE),
        compression,
    ]
    .concat();
    let mut chunks = [be_chunk(b"COMM", &comm), be_chunk(b"SSND", &[&[0; 8], sound].concat())];
    if sound_first {
        chunks.reverse();
    }
    let body = chunks.concat();
    [&b"FORM"[..], &(4 + body.len() as u32).to_be_bytes(), form, &body].concat()
}

#[test]
fn aiff_and_aifc() {
    let takes = Takes::new();
    let num_frames = note(RATE, 1.5).len();
    let big: Vec<u8> = quantised(16).iter().flat_map(|&s| (s as i16).to_be_bytes()).collect();
    let big24: Vec<u8> = quantised(24).iter().flat_map(|&s| s.to_be_bytes()[1..].to_vec()).collect();
    let floats: Vec<u8> = note(RATE, 1.5).iter().flat_map(|x| x.to_be_bytes()).collect();
    let files = [
        ("16.aiff", 16, aiff(b"AIFF", 16, num_frames, &[], &big, false)),
        ("24.aiff", 24, aiff(b"AIFF", 24, num_frames, &[], &big24, false)),
        ("sound-first.aiff", 16, aiff(b"AIFF", 16, num_frames, &[], &big, true)),
        ("sowt.aifc", 16, aiff(b"AIFC", 16, num_frames, b"sowt\0\0", &pcm16(), false)),
        ("fl32.aifc", 24, aiff(b"AIFC", 32, num_frames, b"fl32\0\0", &floats, false)),
    ];
    for (name, bits, bytes) in files {
        assert_is_the_note(&takes.bytes(name, bytes), bits);
    }
}

#[test]
fn a_truncated_aiff_is_read_as_far_as_it_goes() {
    let takes = Takes::new();
    let big: Vec<u8> = quantised(16).iter().flat_map(|&s| (s as i16).to_be_bytes()).collect();
    let whole = aiff(b"AIFF", 16, big.len() / 2, &[], &big, false);
    let cut = takes.bytes("cut.aiff", &whole[..whole.len() - RATE as usize]);
    let mut file = AudioFile::open(&cut, ChannelChoice::Mix).expect("a sound header");
    while file.next_block().expect("a readable disk").is_some() {}
    let findings = file.findings();
    assert!((findings.duration_s - 1.0).abs() < 1e-9, "half a second of 16 bits was cut off: {findings:?}");
    assert_eq!(findings.promised_s, Some(1.5));
}

fn flac(takes: &Takes, name: &str) -> PathBuf {
    use flacenc::bitsink::ByteSink;
    use flacenc::component::BitRepr;
    use flacenc::error::Verify;
    let config = flacenc::config::Encoder::default().into_verified().expect("the encoder's own default");
    let source = flacenc::source::MemSource::from_samples(&quantised(16), 1, 16, RATE as usize);
    // 72000 samples are 18 whole blocks: of a shorter last one this encoder makes the stream's least block
    // size, which RFC 9639 (8.2) leaves out of account and the decoder then refuses.
    let stream = flacenc::encode_with_fixed_block_size(&config, source, 4000).expect("plain samples");
    let mut sink = ByteSink::new();
    stream.write(&mut sink).expect("room");
    takes.bytes(name, sink.as_slice())
}

#[test]
fn flac_is_lossless() {
    let takes = Takes::new();
    assert_is_the_note(&flac(&takes, "take.flac"), 16);
}

#[test]
fn a_damaged_flac_keeps_its_time_line() {
    let takes = Takes::new();
    let mut bytes = std::fs::read(flac(&takes, "take.flac")).expect("just written");
    let middle = bytes.len() / 2;
    bytes[middle..middle + 300].fill(0);
    let damaged = takes.bytes("damaged.flac", bytes);
    let mut file = AudioFile::open(&damaged, ChannelChoice::Mix).expect("a sound header");
    let mut samples = Vec::new();
    while let Some(block) = file.next_block().expect("a readable disk") {
        samples.extend_from_slice(block);
    }
    assert!(file.findings().damage.is_some(), "the damage is told");
    // The last note's end, after the damage, still lies where it was: the final 0.2 s fit the original.
    let expected = note(RATE, 1.5);
    assert_eq!(samples.len(), expected.len());
    let tail = expected.len() - RATE as usize / 5;
    let worst = samples[tail..].iter().zip(&expected[tail..]).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
    assert!(worst <= 2f32.powi(-14), "off by {worst}");
}

#[test]
fn ogg_vorbis_keeps_level_and_time() {
    let takes = Takes::new();
    let samples = note(RATE, 1.5);
    let mut bytes = Vec::new();
    let rate = NonZeroU32::new(RATE).expect("not 0");
    let mono = NonZeroU8::new(1).expect("not 0");
    let mut encoder =
        vorbis_rs::VorbisEncoderBuilder::new(rate, mono, &mut bytes).expect("plain").build().expect("plain");
    encoder.encode_audio_block([&samples]).expect("plain samples");
    encoder.finish().expect("room");
    let decoded = read(&takes.bytes("take.ogg", bytes));
    assert_eq!(decoded.len(), samples.len());
    // Lossy: the error stays 20 dB under the sound, which a shift by 10 samples (half a period of the
    // 12th harmonic is 17) would not.
    let power = |values: &mut dyn Iterator<Item = f32>| values.map(|x| f64::from(x).powi(2)).sum::<f64>();
    let error = power(&mut decoded.iter().zip(&samples).map(|(a, b)| a - b));
    assert!(error < 0.01 * power(&mut samples.iter().copied()));
}

#[test]
fn mp3_is_read() {
    // MPEG-1 layer III, 128 kbit/s, 44.1 kHz, mono, no CRC (ISO/IEC 11172-3): a frame has
    // 144 * 128000 / 44100 = 417 bytes and 1152 samples; side information of zeros is silence.
    let takes = Takes::new();
    let frame = [&[0xff, 0xfb, 0x90, 0xc4][..], &[0; 413]].concat();
    let take = takes.bytes("take.mp3", frame.repeat(100));
    let samples = read(&take);
    assert_eq!(samples.len() % 1152, 0);
    assert!((99 * 1152..=100 * 1152).contains(&samples.len()), "{}", samples.len());
    assert!(samples.iter().all(|&x| x == 0.0));
}

#[test]
fn channels_are_mixed_to_their_mean() {
    let takes = Takes::new();
    let mono = note(RATE, 1.5);
    let half: Vec<f32> = mono.iter().map(|x| 0.5 * x).collect();
    let take = takes.wav("stereo.wav", 2, RATE, &stereo(&mono, &half));
    let worst = read(&take).iter().zip(&mono).map(|(a, b)| (a - 0.75 * b).abs()).fold(0.0, f32::max);
    // Half a 16-bit step, and the 1/32768 between the scales.
    assert!(worst < 1.5 / 32_768.0, "{worst}");
}

#[test]
fn the_shared_takes_are_read_to_their_end() {
    let Some(folder) = notefront_tests::shared::folder("takes") else { return };
    let entries = std::fs::read_dir(folder).expect("the shared takes");
    let takes: Vec<_> =
        entries.filter_map(|e| Some(e.ok()?.path())).filter(|p| p.extension().is_some_and(|e| e == "flac")).collect();
    assert!(!takes.is_empty());
    for take in takes {
        assert!(!read(&take).is_empty(), "{}", take.display());
    }
}

//! AUDIO: delays the sound by whole samples, bit for bit.

/// A ring for each channel. Allocates in [`Delay::new`] only.
pub struct Delay {
    lines: Vec<Vec<f32>>,
    at: usize,
}

impl Delay {
    /// A delay of `len` samples for `num_channels` channels, filled with silence.
    #[must_use]
    pub fn new(num_channels: usize, len: usize) -> Self {
        let mut delay = Self { lines: vec![vec![0.0; len]; num_channels], at: 0 };
        // Written once, so that the audio side does not pay for the system's first touch of each page.
        delay.clear();
        delay
    }

    /// Back to silence.
    pub fn clear(&mut self) {
        self.lines.iter_mut().for_each(|line| line.fill(0.0));
        self.at = 0;
    }

    /// Replaces every sample by the one `len` samples before it. All channels have the same length.
    pub fn process(&mut self, channels: &mut [&mut [f32]]) {
        let num_samples = channels.first().map_or(0, |c| c.len());
        for (line, channel) in self.lines.iter_mut().zip(channels) {
            swap_through(line, self.at, channel);
        }
        if let Some(len) = self.lines.first().map(Vec::len).filter(|len| *len > 0) {
            self.at = (self.at + num_samples) % len;
        }
    }
}

fn swap_through(line: &mut [f32], mut at: usize, samples: &mut [f32]) {
    if line.is_empty() {
        return;
    }
    for sample in samples {
        std::mem::swap(sample, &mut line[at]);
        at = (at + 1) % line.len();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_delay_is_exact_for_every_block_size() {
        let input: Vec<f32> = (1..=1000).map(|i| i as f32).collect();
        for block_len in [1, 7, 64, 999] {
            let mut delay = Delay::new(1, 100);
            let mut output = input.clone();
            for block in output.chunks_mut(block_len) {
                delay.process(&mut [block]);
            }
            assert_eq!(output[..100], [0.0; 100]);
            assert_eq!(output[100..], input[..900], "blocks of {block_len}");
        }
    }

    #[test]
    fn every_bit_pattern_passes() {
        let odd = [f32::from_bits(1), f32::NAN, f32::NEG_INFINITY, -0.0];
        let mut block = odd.to_vec();
        block.extend([0.0; 4]);
        Delay::new(1, 4).process(&mut [&mut block]);
        let bits: Vec<u32> = block[4..].iter().map(|s| s.to_bits()).collect();
        assert_eq!(bits, odd.map(f32::to_bits));
    }

    #[test]
    fn no_delay_changes_nothing() {
        let mut block = [1.0, 2.0];
        Delay::new(1, 0).process(&mut [&mut block]);
        assert_eq!(block, [1.0, 2.0]);
    }
}

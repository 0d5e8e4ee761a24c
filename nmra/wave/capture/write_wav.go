package capture

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"iter"
	"math"
	"time"
)

// Sample rates of a WAV file, in Hz. From MinRate on what is read back is near enough for every [wave.Fault] to be known; at MaxRate a
// sample is 1 µs.
const (
	MinRate = 80_000
	MaxRate = 1_000_000
)

const (
	wavHeader  = 44 // bytes before the samples
	wavSample  = 2  // bytes of one
	mostWAV    = (math.MaxUint32 - (wavHeader - 8)) / wavSample
	wavVoltage = 19_660 // of a sample while the voltage does not change: 60 % of full scale, since behind a filter it swings beyond that
)

// WriteWAV writes the halves as a WAV file of one channel, 16-bit PCM, at a rate in Hz. The voltage is at 60 % of full scale, positive
// first. Each sample is the mean over its interval, so that where a crossing lies between two samples is not lost; behind the last half
// the voltage is 0.
//
// The header has the true length, so halves is gone through twice, and has to give the same both times. Errors: a rate below [MinRate]
// or above [MaxRate]; more samples than a WAV file can have, 3 hours and 6 minutes at 192000 Hz; those of [WriteVCD]. Nothing is
// written with any error but that of w.
func WriteWAV(w io.Writer, rate int, halves iter.Seq[time.Duration]) error {
	if rate < MinRate || rate > MaxRate {
		return fmt.Errorf("waveform: a rate of %d Hz: want %d to %d, which carry the signal", rate, MinRate, MaxRate)
	}
	samples, err := samplesOf(rate, halves)
	if err != nil {
		return err
	}
	b := bufio.NewWriter(w)
	b.Write(riff(rate, samples))
	// Time is counted in units of which an interval has a thousand million, and a nanosecond as many as the rate: so it is exact.
	const interval = int64(time.Second)
	left, sum := interval, int64(0) // of the interval at hand: what is not yet over, and the voltage times what is
	put := func() error {
		_, err := b.Write(binary.LittleEndian.AppendUint16(b.AvailableBuffer(), uint16(nearest(sum*wavVoltage, interval))))
		left, sum = interval, 0
		return err
	}
	sign := int64(1)
	for half := range halves {
		for length := int64(half) * int64(rate); length > 0; {
			part := min(length, left)
			sum += sign * part
			length -= part
			if left -= part; left == 0 {
				if err := put(); err != nil {
					return err
				}
			}
		}
		sign = -sign
	}
	if left < interval {
		if err := put(); err != nil {
			return err
		}
	}
	return b.Flush()
}

// samplesOf is how many samples the halves take, the last of which may go beyond their end.
func samplesOf(rate int, halves iter.Seq[time.Duration]) (int64, error) {
	most := mostWAV * time.Second / time.Duration(rate)
	at, n := time.Duration(0), 0
	for half := range halves {
		n++
		if half <= 0 {
			return 0, notAHalf(n, half, at)
		}
		if half > most-at {
			return 0, fmt.Errorf("waveform: half %d ends later than %v, which is as long as a WAV file can be at %d Hz: want a shorter signal, or CSV or VCD",
				n, most.Truncate(time.Second), rate)
		}
		at += half
	}
	return (int64(at)*int64(rate) + int64(time.Second) - 1) / int64(time.Second), nil
}

// riff is a WAV file up to its samples: one channel, 16-bit PCM.
func riff(rate int, samples int64) []byte {
	size := uint32(samples * wavSample)
	little := binary.LittleEndian
	b := append(make([]byte, 0, wavHeader), "RIFF"...)
	b = little.AppendUint32(b, wavHeader-8+size)
	b = append(b, "WAVEfmt "...)
	b = little.AppendUint32(b, 16)
	b = little.AppendUint16(b, 1) // PCM
	b = little.AppendUint16(b, 1) // channel
	b = little.AppendUint32(b, uint32(rate))
	b = little.AppendUint32(b, uint32(rate*wavSample)) // bytes a second
	b = little.AppendUint16(b, wavSample)
	b = little.AppendUint16(b, 8*wavSample) // bits a sample
	b = append(b, "data"...)
	return little.AppendUint32(b, size)
}

// nearest divides, and rounds to the nearest.
func nearest(a, by int64) int64 {
	if a < 0 {
		return -((-a + by/2) / by)
	}
	return (a + by/2) / by
}

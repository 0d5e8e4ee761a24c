package capture

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
)

// The codes of formats, and behind those in a format of the extensible kind what makes it one of them (from memory).
const (
	wavPCM        = 1
	wavFloat      = 3
	wavExtensible = 0xFFFE
	wavSubformat  = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
)

const (
	mostChannels = 64
	mostRate     = 100_000_000
)

// header reads up to the first frame: the mark of the file, then chunks in any order: the format, ds64 where sizes are of 64 bits, and
// others, which are skipped.
func (w *wav) header() error {
	mark, err := w.take(12, "a WAV file")
	if err != nil {
		return err
	}
	if !slices.Contains([]string{"RIFF", "RF64", "BW64"}, string(mark[:4])) {
		return w.unlike(0, string(mark[:4]), "RIFF or RF64")
	}
	if string(mark[8:]) != "WAVE" {
		return w.unlike(8, string(mark[8:]), "WAVE")
	}
	var long uint64 // the size of the frames, where it has 64 bits
	for {
		want := "a chunk with the format"
		if w.layout.channels > 0 {
			want = "a chunk with the samples"
		}
		head, err := w.take(8, want)
		if err != nil {
			return err
		}
		name, size := string(head[:4]), uint64(binary.LittleEndian.Uint32(head[4:]))
		begin := w.at
		switch name {
		case "fmt ":
			err = w.format(size)
		case "ds64":
			var sizes []byte
			if sizes, err = w.field(size, 16, 16, "a ds64 chunk of 28 bytes or more"); err == nil {
				long = binary.LittleEndian.Uint64(sizes[8:])
			}
		case "data":
			if w.layout.channels == 0 {
				return w.unlike(w.at-8, name, "the format before the samples")
			}
			if size == math.MaxUint32 {
				size = long
			}
			if w.left = int64(size); size == 0 || size > math.MaxInt64 { // as a stream has it, whose length nobody knew
				w.left, w.streamed = math.MaxInt64, true
			}
			return nil
		}
		if err != nil {
			return err
		}
		if err := w.skip(begin+int64(size+size&1)-w.at, name); err != nil {
			return err
		}
	}
}

// skip skips so many bytes of a chunk.
func (w *wav) skip(rest int64, name string) error {
	for rest > 0 {
		n, err := w.from.Discard(int(min(rest, 1<<30)))
		w.at += int64(n)
		rest -= int64(n)
		if err == io.EOF {
			return w.unlike(w.at, "", fmt.Sprintf("%d bytes more of the chunk %q", rest, name))
		} else if err != nil {
			return err
		}
	}
	return nil
}

// format reads the chunk with the format.
func (w *wav) format(size uint64) error {
	begin := w.at
	f, err := w.field(size, 16, 40, "a format of 16 bytes or more")
	if err != nil {
		return err
	}
	number := func(at int) uint64 { return uint64(binary.LittleEndian.Uint16(f[at:])) }
	unlike := func(at int, found uint64, want string) error {
		return w.unlike(begin+int64(at), strconv.FormatUint(found, 10), want)
	}
	code, codeAt := number(0), 0
	if code == wavExtensible {
		if len(f) < 40 {
			return unlike(-4, size, "40 bytes or more of a format that is extended")
		}
		code, codeAt = number(24), 24
		if string(f[26:]) != wavSubformat {
			return w.unlike(begin+26, string(f[26:]), "the mark of a format")
		}
	}
	channels, rate, frame, bits := number(2), uint64(binary.LittleEndian.Uint32(f[4:])), number(12), number(14)
	switch {
	case code != wavPCM && code != wavFloat:
		return unlike(codeAt, code, "format 1, whole numbers, or 3, floating point: save it as PCM")
	case channels < 1 || channels > mostChannels:
		return unlike(2, channels, fmt.Sprintf("1 to %d channels", mostChannels))
	case rate < leastRate || rate > mostRate:
		return unlike(4, rate, fmt.Sprintf("%d to %d samples a second: with fewer a half of 58 us can't be told; "+
			"record it with 48000, better with 96000 or more", leastRate, mostRate))
	case code == wavPCM && bits != 8 && bits != 16 && bits != 24 && bits != 32:
		return unlike(14, bits, "8, 16, 24 or 32 bits a sample")
	case code == wavFloat && bits != 32 && bits != 64:
		return unlike(14, bits, "32 or 64 bits a sample that is floating point")
	case frame != channels*bits/8:
		return unlike(12, frame, fmt.Sprintf("%d bytes for a sample of each channel", channels*bits/8))
	}
	w.layout = layout{channels: int(channels), rate: rate, bytes: int(bits / 8), float: code == wavFloat}
	return nil
}

// field reads the first bytes of a chunk of this size, at least so many and at most so many.
func (w *wav) field(size uint64, least, most int, want string) ([]byte, error) {
	if size < uint64(least) {
		return nil, w.unlike(w.at-4, strconv.FormatUint(size, 10), want)
	}
	return w.take(int(min(size, uint64(most))), want)
}

// take reads so many bytes.
func (w *wav) take(n int, want string) ([]byte, error) {
	p, err := w.from.Peek(n)
	w.at += int64(len(p))
	if err == io.EOF {
		return nil, w.unlike(w.at, "", want)
	}
	p = bytes.Clone(p)
	w.from.Discard(len(p))
	return p, err
}

func (w *wav) unlike(at int64, found, want string) error {
	return &SyntaxError{Form: WAV, Byte: at, Found: found, Want: want}
}

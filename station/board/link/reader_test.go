package link

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// frames draws any frame that there is, with many zero bytes.
func frames() *rapid.Generator[Frame] {
	var types []Type
	for n := range 256 {
		if _, _, ok := Type(n).Lengths(); ok {
			types = append(types, Type(n))
		}
	}
	return rapid.Custom(func(t *rapid.T) Frame {
		kind := rapid.SampledFrom(types).Draw(t, "type")
		least, most, _ := kind.Lengths()
		someByte := rapid.OneOf(rapid.Just(byte(0)), rapid.Byte())
		return NewFrame(kind, someByte.Draw(t, "number"), rapid.SliceOfN(someByte, least, most).Draw(t, "payload"))
	})
}

// body is the frame before COBS, CRC included.
func body(f Frame) []byte {
	b := append([]byte{byte(f.Type), f.Number}, f.Payload()...)
	return appendChecksum(b)
}

func TestAFrameComesOutOfTheReaderAsItWentIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r Reader
		before := rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(t, "noise")
		takeAll(&r, append(before, 0))
		sent := rapid.SliceOfN(frames(), 1, 4).Draw(t, "frames")
		var line []byte
		for _, f := range sent {
			n := len(line)
			line = f.Append(line)
			if len(line)-n > MaxLine || bytes.IndexByte(line[n:], 0) != len(line)-n-1 {
				t.Fatalf("%v travels as % X: want at most %d bytes, and no zero but the last", f, line[n:], MaxLine)
			}
		}
		got := takeAll(&r, line)
		if len(got) != len(sent) {
			t.Fatalf("found %v, want %v", got, sent)
		}
		for i := range sent {
			if got[i] != sent[i] {
				t.Fatalf("found %v, want %v", got[i], sent[i])
			}
		}
	})
}

func TestAFrameWithUpToThreeWrongBitsIsDropped(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := body(frames().Draw(t, "frame"))
		bits := rapid.SliceOfNDistinct(rapid.IntRange(0, 8*len(b)-1), 1, 3, rapid.ID).Draw(t, "wrong bits")
		for _, bit := range bits {
			b[bit/8] ^= 0x80 >> (bit % 8)
		}
		var r Reader
		if got := takeAll(&r, appendCOBS(nil, b)); len(got) > 0 {
			t.Fatalf("with bits %v wrong it is taken for %v", bits, got)
		}
	})
}

func TestAFrameDamagedWithinSixteenBitsIsDropped(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := body(frames().Draw(t, "frame"))
		burst := rapid.Uint16Min(1).Draw(t, "burst")
		at := rapid.IntRange(0, 8*len(b)-16).Draw(t, "first bit")
		for i := range 16 {
			b[(at+i)/8] ^= byte(burst>>(15-i)&1) << (7 - (at+i)%8)
		}
		var r Reader
		if got := takeAll(&r, appendCOBS(nil, b)); len(got) > 0 {
			t.Fatalf("damaged by %016b from bit %d on it is taken for %v", burst, at, got)
		}
	})
}

// On the line one wrong bit can move a zero byte, and so change many bits of the frame: then it is left to chance, one in 65536, and to
// the length. The vectors have no such frame among them, so here every wrong bit is found.
func TestNoVectorWithOneWrongBitOnTheLineIsAFrame(t *testing.T) {
	behind := NewFrame(State, 77)
	for _, v := range vectors(t) {
		for bit := range 8 * len(v.bytes) {
			if v.damaged {
				break
			}
			line := bytes.Clone(v.bytes)
			line[bit/8] ^= 0x80 >> (bit % 8)
			var r Reader
			if got := takeAll(&r, behind.Append(append(line, 0))); len(got) != 1 || got[0] != behind {
				t.Errorf("%s with bit %d wrong: found %v, want only %v behind it", v.place, bit, got, behind)
			}
		}
	}
}

// Damage of any kind on the line: how often it passes for a frame that was not sent. The limit is ours; one in 65536 of what keeps the
// length is to be expected.
func TestDamageOnTheLineHardlyEverMakesAnotherFrame(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 1))
	all := vectors(t)
	const rounds = 200_000
	others := 0
	for range rounds {
		v := all[random.IntN(len(all))]
		for v.damaged { // damaged once more it might be right
			v = all[random.IntN(len(all))]
		}
		line := bytes.Clone(v.bytes)
		for range 1 + random.IntN(8) {
			line[random.IntN(len(line))] = byte(random.IntN(256) >> random.IntN(8))
		}
		var r Reader
		for _, f := range takeAll(&r, append(line, 0)) {
			if f != v.frame {
				others++
			}
		}
	}
	t.Logf("of %d damaged frames %d are taken for others", rounds, others)
	if others > rounds/20_000 {
		t.Errorf("of %d damaged frames %d are taken for others, want at most %d", rounds, others, rounds/20_000)
	}
}

func TestTakeAndAppendAllocateNothing(t *testing.T) {
	f := NewFrame(Train, 0, make([]byte, MaxPayload))
	line := f.Append(nil)
	var r Reader
	if n := testing.AllocsPerRun(100, func() {
		f.Append(line[:0])
		for _, b := range line {
			r.Take(b)
		}
	}); n != 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

// What is found in any bytes is what they hold: sent again, it is the bytes between the zero byte before and that behind.
func FuzzReader(f *testing.F) {
	for _, v := range vectors(f) {
		f.Add(v.bytes)
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		var r Reader
		begin := 0
		for i, b := range line {
			found, ok := r.Take(b)
			if ok && !bytes.Equal(found.Append(nil), line[begin:i+1]) {
				t.Errorf("% X is taken for %v, which travels as % X", line[begin:i+1], found, found.Append(nil))
			}
			if b == 0 {
				begin = i + 1
			}
		}
		if got := takeAll(&r, NewFrame(Hello, 5).Append([]byte{0})); len(got) == 0 || got[len(got)-1] != NewFrame(Hello, 5) {
			t.Errorf("behind % X the reader finds %v, want hello", line, got)
		}
	})
}

func FuzzFrame(f *testing.F) {
	for _, v := range vectors(f) {
		f.Add(uint8(v.frame.Type), v.frame.Number, v.frame.Payload())
	}
	f.Fuzz(func(t *testing.T, kind, number uint8, payload []byte) {
		if len(payload) > MaxPayload {
			return
		}
		sent := NewFrame(Type(kind), number, payload)
		least, most, ok := Type(kind).Lengths()
		want := ok && least <= len(payload) && len(payload) <= most
		var r Reader
		got := takeAll(&r, sent.Append(nil))
		if want != (len(got) == 1 && got[0] == sent) || !want && len(got) > 0 {
			t.Errorf("%v: found %v; it is a frame: %v", sent, got, want)
		}
	})
}

func BenchmarkAppend(b *testing.B) {
	f := NewFrame(Train, 9, bytes.Repeat([]byte{0, 1, 2, 3}, MaxPayload/4))
	line := f.Append(nil)
	b.SetBytes(int64(len(line)))
	for b.Loop() {
		line = f.Append(line[:0])
	}
}

func BenchmarkTake(b *testing.B) {
	line := NewFrame(Train, 9, bytes.Repeat([]byte{0, 1, 2, 3}, MaxPayload/4)).Append(nil)
	b.SetBytes(int64(len(line)))
	var r Reader
	for b.Loop() {
		for _, x := range line {
			r.Take(x)
		}
	}
}

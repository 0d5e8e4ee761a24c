package link

import (
	"bytes"
	"strings"
	"testing"
)

func TestTheCRCHasItsPublishedCheckValue(t *testing.T) {
	// From memory of the published catalogue of parametrised CRC algorithms, CRC-16/GENIBUS: its check value
	if got := checksum([]byte("123456789")); got != 0xD64E {
		t.Errorf("CRC of 123456789 is %04X, want D64E", got)
	}
	// From memory of the same: CRC-16/IBM-3740, which differs in that it is not inverted at the end
	if got := ^checksum([]byte("123456789")); got != 0x29B1 {
		t.Errorf("CRC of 123456789 before it is inverted is %04X, want 29B1", got)
	}
	// From memory of the same: the residue of CRC-16/GENIBUS, what is left of any bytes with their CRC behind them, before it is inverted
	if got := ^checksum(appendChecksum([]byte("123456789"))); got != 0x1D0F {
		t.Errorf("residue %04X, want 1D0F", got)
	}
}

func TestCOBSIsAsPublished(t *testing.T) {
	for _, row := range []struct{ plain, encoded []byte }{
		// From memory: Cheshire and Baker, Consistent Overhead Byte Stuffing (April 1999), the beginning of an IP header
		{[]byte{0x45, 0, 0, 0x2C, 0x4C, 0x79, 0, 0, 0x40, 0x06, 0x4F, 0x37},
			[]byte{0x02, 0x45, 0x01, 0x04, 0x2C, 0x4C, 0x79, 0x01, 0x05, 0x40, 0x06, 0x4F, 0x37}},
		// From memory, examples in wide use
		{[]byte{0}, []byte{1, 1}},
		{[]byte{0, 0}, []byte{1, 1, 1}},
		{[]byte{0x11, 0x22, 0, 0x33}, []byte{3, 0x11, 0x22, 2, 0x33}},
		{[]byte{0x11, 0x22, 0x33, 0x44}, []byte{5, 0x11, 0x22, 0x33, 0x44}},
		{[]byte{0x11, 0, 0, 0}, []byte{2, 0x11, 1, 1, 1}},
	} {
		if got := appendCOBS(nil, row.plain); !bytes.Equal(got, append(row.encoded, 0)) {
			t.Errorf("% X is encoded as % X, want % X and a zero byte", row.plain, got, row.encoded)
		}
		var r Reader
		for _, b := range row.encoded {
			r.Take(b)
		}
		if got := r.b[:r.n]; !bytes.Equal(got, row.plain) {
			t.Errorf("% X is decoded as % X, want % X", row.encoded, got, row.plain)
		}
	}
}

func TestFiguresInAPayloadHaveTheirLowByteFirst(t *testing.T) {
	said := GateEvent{Gate: 2, Closed: 1, ClockMicros: 0x01020304}
	f := NewFrame(Gate, 8, said)
	if want := []byte{2, 1, 4, 3, 2, 1}; !bytes.Equal(f.Payload(), want) {
		t.Errorf("payload % X, want % X", f.Payload(), want)
	}
	var got GateEvent
	if err := f.Decode(&got); err != nil || got != said {
		t.Errorf("decoded %+v, %v; want %+v", got, err, said)
	}
}

func TestDecodeWantsExactlyTheLengthOfTheStruct(t *testing.T) {
	for _, n := range []int{0, 2, 4, MaxPayload} {
		event := CutEvent{Cause: 77}
		err := NewFrame(Cut, 0, make([]byte, n)).Decode(&event)
		if err == nil || !strings.Contains(err.Error(), "3 of *link.CutEvent") || event.Cause != 77 {
			t.Errorf("%d bytes: error %v and %+v; want an error that names 3 bytes, and nothing decoded", n, err, event)
		}
	}
	if err := NewFrame(Cut, 0, make([]byte, 3)).Decode("text"); err == nil {
		t.Error("decoded into a string")
	}
}

func TestATrainHasItsHeadAndAtLeastOneStep(t *testing.T) {
	shortest := NewFrame(Train, 0, TrainRequest{Preamble: 20}, StepHead{Head: 3, Times: 1, Least: 1}, make([]byte, 3))
	if least, most, ok := Train.Lengths(); least != len(shortest.Payload()) || most != MaxPayload || !ok {
		t.Errorf("a train has %d to %d bytes, %v; want %d to %d", least, most, ok, len(shortest.Payload()), MaxPayload)
	}
}

func TestNewFrameRefusesWhatNoFrameCanCarry(t *testing.T) {
	for _, part := range []any{make([]byte, MaxPayload+1), "text", struct{ N int }{1}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("a frame of %T", part)
				}
			}()
			NewFrame(Train, 0, part)
		}()
	}
}

func TestALogSaysWhatAFrameIs(t *testing.T) {
	for _, row := range []struct {
		frame Frame
		want  string
	}{
		{NewFrame(Hello, 0), "hello 0"},
		{NewFrame(Cut|AnswerBit, 9), "answer to cut 9"},
		{NewFrame(Refused|AnswerBit, 7, RefusedAnswer{Type: 5, Reason: ReasonNumber, Next: 8}), "refused 7: 05 02 08"},
		{NewFrame(0x60, 1, []byte{0xAB}), "type 0x60 1: AB"},
	} {
		if got := row.frame.String(); got != row.want {
			t.Errorf("%q, want %q", got, row.want)
		}
	}
}

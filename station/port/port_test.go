//go:build unix

package port

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"fettle/station"
)

// openPair opens a port on a pseudo-terminal; other is the end of whoever is on the line.
func openPair(t *testing.T) (p *Port, other *os.File) {
	t.Helper()
	other, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = other.Close() })
	if p, err = Open(tty.Name(), Settings{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	if err := tty.Close(); err != nil {
		t.Fatal(err)
	}
	return p, other
}

func everyByte() []byte {
	b := make([]byte, 1024)
	for i := range b {
		b[i] = byte(i)
	}
	return b
}

func TestEveryByteArrivesAsItWasSentInBothDirections(t *testing.T) {
	p, other := openPair(t)
	if n, err := p.Write(everyByte()); n != len(everyByte()) || err != nil {
		t.Fatal(n, err)
	}
	got := make([]byte, len(everyByte()))
	if _, err := io.ReadFull(other, got); err != nil || !bytes.Equal(got, everyByte()) {
		t.Fatalf("%v: % X", err, got)
	}
	if _, err := other.Write(everyByte()); err != nil {
		t.Fatal(err)
	}
	var came []byte
	for one := make([]byte, 7); len(came) < len(everyByte()); { // a few at a time: what is not read stays
		n, err := p.Read(one, time.Second)
		if n == 0 || err != nil {
			t.Fatalf("after %d bytes: %d, %v", len(came), n, err)
		}
		came = append(came, one[:n]...)
	}
	if !bytes.Equal(came, everyByte()) {
		t.Errorf("% X", came)
	}
}

func TestReadingWaitsAsLongAsItIsToldAndNoLonger(t *testing.T) {
	p, other := openPair(t)
	b := make([]byte, 16)
	for _, wait := range []time.Duration{-time.Second, 0, 50 * time.Millisecond} {
		began := p.Now()
		if n, err := p.Read(b, wait); n != 0 || err != nil {
			t.Errorf("%v: %d, %v, want nothing", wait, n, err)
		}
		if took := p.Now() - began; took < wait || took > wait+2*time.Second {
			t.Errorf("waited %v, want %v", took, wait)
		}
	}
	time.AfterFunc(20*time.Millisecond, func() { _, _ = other.WriteString("late") })
	if n, err := p.Read(b, 10*time.Second); string(b[:n]) != "late" || err != nil {
		t.Errorf("%q, %v", b[:n], err)
	}
}

func TestAPortWhoseOtherEndIsGoneIsLostForGood(t *testing.T) {
	p, other := openPair(t)
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	_, first := p.Read(make([]byte, 1), time.Second)
	if !errors.Is(first, station.ErrLost) || !strings.Contains(first.Error(), "cable") {
		t.Fatal(first)
	}
	if _, err := p.Read(make([]byte, 1), time.Second); err != first {
		t.Errorf("%v, want the same again", err)
	}
	if _, err := p.Write([]byte("x")); err != first {
		t.Errorf("%v, want the same again", err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
}

func TestALineThatTakesNothingIsLost(t *testing.T) {
	p, _ := openPair(t)
	p.patience = 50 * time.Millisecond
	_, err := p.Write(make([]byte, 1<<20)) // more than any pseudo-terminal keeps
	if !errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), "takes nothing") {
		t.Error(err)
	}
}

func TestClosingEndsARead(t *testing.T) {
	p, _ := openPair(t)
	var reading sync.WaitGroup
	reading.Go(func() {
		if _, err := p.Read(make([]byte, 1), time.Minute); !errors.Is(err, station.ErrLost) || !strings.Contains(err.Error(), "closed") {
			t.Errorf("%v, want that it was closed", err)
		}
	})
	time.Sleep(20 * time.Millisecond)
	if err := errors.Join(p.Close(), p.Close()); err != nil {
		t.Error(err)
	}
	reading.Wait()
}

func TestSettingsThatNoPortTakesAreRefused(t *testing.T) {
	for _, s := range []Settings{{Baud: -1}, {DataBits: 4}, {DataBits: 9}, {Parity: 3}, {StopBits: 3}, {StopBits: -1}} {
		if _, err := s.mode(); err == nil {
			t.Errorf("%+v was taken", s)
		}
		if _, err := Open("nowhere", s); err == nil || errors.Is(err, station.ErrStation) {
			t.Errorf("%+v: %v, want bad use", s, err)
		}
	}
	for want, s := range map[string]Settings{
		"115200 baud, 8N1": {}, "9600 baud, 7E2": {9600, 7, Even, 2}, "57600 baud, 8O1": {Baud: 57600, Parity: Odd},
	} {
		if _, err := s.mode(); err != nil || s.String() != want {
			t.Errorf("%v, %v, want %s", s, err, want)
		}
	}
}

func TestAPortTakesEachSetting(t *testing.T) {
	other, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	defer tty.Close()
	for _, s := range []Settings{{}, {9600, 7, Even, 2}, {57600, 8, Odd, 1}, {19200, 5, None, 1}, {250000, 8, None, 1}} {
		p, err := Open(tty.Name(), s)
		if err != nil {
			t.Errorf("%v: %v", s, err)
			continue
		}
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestWhatCanNotBeOpenedSaysWhyAndWhatToDo(t *testing.T) {
	folder := t.TempDir()
	file := filepath.Join(folder, "notes.txt")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		want  string
		lost  bool
		fails bool // the station did
	}{
		filepath.Join(folder, "ttyUSB0"): {"it is not there", true, true},
		folder:                           {"but a folder", false, false},
		file:                             {"but a file", false, false},
		os.DevNull:                       {"it is no serial port", false, false},
	} {
		_, err := Open(name, Settings{})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), name) ||
			errors.Is(err, station.ErrLost) != c.lost || errors.Is(err, station.ErrStation) != c.fails {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

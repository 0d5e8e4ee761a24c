//go:build unix

package text

import (
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"syscall"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/text/fakes"
)

// portFile is an open port.
type portFile struct {
	*os.File
	began time.Time
}

func (p portFile) Read(b []byte, wait time.Duration) (int, error) {
	if err := p.SetReadDeadline(time.Now().Add(max(wait, time.Microsecond))); err != nil {
		return 0, err
	}
	n, err := p.File.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}

func (p portFile) Now() time.Duration { return time.Since(p.began) }

// decoder takes a built-in decoder out of its box.
func decoder(t testing.TB, name string) *bench.Decoder {
	t.Helper()
	spec, err := bench.BuiltIn(name)
	if err != nil {
		t.Fatal(err)
	}
	return spec.New(1)
}

// plugged opens a fake station, with decoders on its track, by its profile.
func plugged(t testing.TB, manner string, decoders ...*bench.Decoder) (station.Station, *fakes.Station, func() error) {
	t.Helper()
	fake, err := fakes.New(manner, bench.New(decoders...))
	if err != nil {
		t.Fatal(err)
	}
	name, unplug, _, err := fake.Plug()
	if err != nil {
		t.Fatal(err)
	}
	p, err := ParseProfile(manner+".toml", []byte(profileOf(t, manner)))
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(name, os.O_RDWR|syscall.O_NONBLOCK|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	s := New(p, portFile{f, time.Now()})
	t.Cleanup(func() {
		s.Close()
		if err := unplug(); err != nil && !errors.Is(err, fs.ErrClosed) {
			t.Error(err)
		}
	})
	return s, fake, unplug
}

func TestAnAccessThroughLinesGivesWhatTheBenchGives(t *testing.T) {
	for _, manner := range fakes.Names() {
		s, fake, _ := plugged(t, manner, decoder(t, "tram-3"))
		track, own := s.(station.ProgrammingTrack), bench.New(decoder(t, "tram-3"))
		for _, each := range []station.Power{track, own} {
			if _, err := each.PowerOn(t.Context()); err != nil {
				t.Fatal(manner, err)
			}
		}
		random := rand.New(rand.NewPCG(1, 2))
		refused, said := 0, map[bool]int{}
		for range 400 {
			a := nmra.Access{
				Mode: nmra.Modes[random.IntN(len(nmra.Modes))], Operation: nmra.Operation(random.IntN(4)),
				CV: nmra.CV(1 + random.IntN(30)), Value: uint8(random.IntN(4)), Bit: uint8(random.IntN(8)), BitValue: random.IntN(2) == 1,
			}
			if a.Mode != nmra.Direct && random.IntN(3) > 0 || a.CV == 8 || a.CV == 15 || a.CV == 16 {
				continue
			}
			got, err := track.Service(t.Context(), a)
			if errors.Is(err, nmra.ErrNotInMode) {
				refused++
				continue
			}
			want, wantErr := own.Service(t.Context(), a)
			if err != nil || wantErr != nil {
				t.Fatalf("%s: %v: %v, want %v", manner, a, err, wantErr)
			}
			if got.Acknowledged != want.Acknowledged && !(manner == "capstan" && a.Writes()) {
				t.Errorf("%s: %v: acknowledged %v, want %v", manner, a, got.Acknowledged, want.Acknowledged)
			}
			said[got.Acknowledged]++
		}
		if said[true] < 20 || said[false] < 20 {
			t.Errorf("%s: %v were acknowledged: too few of one to say anything", manner, said)
		}
		t.Logf("%s: %v were acknowledged, %d are not in the profile; %d lines", manner, said, refused, fake.Lines())
	}
}

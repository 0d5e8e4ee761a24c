package prog

import (
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board"
	"fettle/station/board/boardsim"
	"fettle/station/board/firmware"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// told is what the verbs say of a decoder in a whole job, as far as it does not depend on how the current is measured.
type told struct {
	Modes          []nmra.Mode
	Identity       cv.Values
	Absent         []cv.Register
	Read           []Reading
	Applied        []Row
	Checked        []Checked
	Reset          ResetResult
	CheckedAtReset []Checked
	Holds          cv.Values // the decoder, in the end
}

// wholeJob does what the verbs do: identify, read, apply, check, reset, check.
func wholeJob(t *testing.T, track station.ProgrammingTrack, d *bench.Decoder, set regset.Set) (all told) {
	t.Helper()
	did := func(what string, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	s, err := Start(t.Context(), track, DefaultBound, &memory{})
	did("start", err)
	before := d.Values()
	// As from a sheet: without it, a decoder that has no direct mode would be asked for hundreds of values.
	s.Hints = func(r cv.Register) Hint {
		if _, there := before[r]; !there {
			return Hint{Absent: true}
		}
		return Hint{Values: []uint8{before[r], set.Registers[r]}}
	}
	id, err := Identify(t.Context(), s)
	did("identify", err)
	all.Modes, all.Identity, all.Absent = id.Modes, id.Registers, id.Absent
	registers := set.Registers.Registers()
	for _, r := range registers {
		got, err := s.Read(t.Context(), r)
		did("read", err)
		all.Read = append(all.Read, got)
	}
	plan, err := Prepare(t.Context(), s, set)
	did("plan", err)
	batch, err := plan.Apply(t.Context(), s)
	did("apply", err)
	all.Applied = batch.Rows
	all.Checked, err = Check(t.Context(), s, set)
	did("check", err)
	all.Reset, err = Reset(t.Context(), s, registers)
	did("reset", err)
	all.CheckedAtReset, err = Check(t.Context(), s, set)
	did("check after the reset", err)
	all.Holds = d.Values()
	return all
}

func TestTheVerbsSayThroughTheBoardWhatTheySayOnTheBench(t *testing.T) {
	own := func(text string) bench.Spec {
		t.Helper()
		spec, err := bench.ParseDecoder("crane.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return spec
	}
	builtIn := func(name string) bench.Spec {
		t.Helper()
		spec, err := bench.BuiltIn(name)
		if err != nil {
			t.Fatal(err)
		}
		return spec
	}
	// Invented.
	const paged = `title = "Quay crane 1"
modes = ["paged"]
[registers]
1 = 4
3 = 2
7 = 2
8 = 13
"17-18" = [192, 128]
19 = 0
29 = 2
65 = 0
`
	const old = `title = "Quay crane 2"
modes = ["register", "address"]
[registers]
1 = 2
2 = 3
3 = 3
4 = 1
7 = 2
8 = 13
29 = 0
[ack]
milliamps = 63
milliseconds = 5.1
[memory]
write_ms = 12
`
	for _, c := range []struct {
		name string
		spec bench.Spec
		set  cv.Values
	}{
		{"ordinary", builtIn("tram-3"), cv.Values{at(3): 12, at(5): 250, at(29): 14, at(400): 1}},
		{"paged", own(paged), cv.Values{at(3): 4, at(65): 31}},
		{"old", own(old), cv.Values{at(1): 9, at(3): 4}},
		{"dirty", builtIn("railcar-12"), cv.Values{at(3): 13, at(29): 14, at(66): 100}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			set := regset.Set{Title: "Quay", Registers: c.set}
			plain := c.spec.New(1)
			onBench := bench.New(plain)
			want := wholeJob(t, onBench, plain, set)

			d := c.spec.New(1)
			sim, err := boardsim.New(firmware.Image, bench.NewTrack(d))
			if err != nil {
				t.Fatal(err)
			}
			b, err := board.New(sim, "simulated")
			if err != nil {
				t.Fatal(err)
			}
			began := time.Now()
			got := wholeJob(t, b, d, set)
			took := time.Since(began)
			if err := b.Close(); err != nil {
				t.Error(err)
			}
			t.Logf("%v on the bench, %v through the board", onBench.Now(), sim.Now())
			t.Logf("simulated at %.1f s a second", sim.Now().Seconds()/took.Seconds())
			moving := cmpopts.IgnoreMapEntries(func(r cv.Register, _ uint8) bool { return c.spec.Changing[r] })
			if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(Reading{}, "Wrong"), moving); diff != "" {
				t.Errorf("on the bench, and through the board (-bench +board):\n%s", diff)
			}
			r := sim.Record()
			t.Logf("%v", r)
			if err := r.Check(); err != nil || len(r.Resets) != 0 {
				t.Errorf("%v, the firmware started anew at %v", err, r.Resets)
			}
		})
	}
}

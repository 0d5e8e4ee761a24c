package board

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board/firmware/host/hosttest"
	"fettle/station/board/link"
)

// harms are what happens to frames on their way.
var harms = []struct {
	name string
	do   func(*rand.Rand, []byte) []byte
}{
	{"bytes lost", func(r *rand.Rand, b []byte) []byte {
		at := r.IntN(len(b))
		return append(b[:at:at], b[min(len(b), at+1+r.IntN(3)):]...)
	}},
	{"bytes repeated", func(r *rand.Rand, b []byte) []byte {
		at := r.IntN(len(b))
		return append(b[:at+1:at+1], b[at:]...)
	}},
	{"cut", func(r *rand.Rand, b []byte) []byte { return b[:r.IntN(len(b))] }},
	{"bits flipped", func(r *rand.Rand, b []byte) []byte {
		for range 1 + r.IntN(6) {
			b[r.IntN(len(b))] ^= 1 << r.IntN(8)
		}
		return b
	}},
	{"bytes put in", func(r *rand.Rand, b []byte) []byte {
		at := r.IntN(len(b) + 1)
		return append(append(b[:at:at], byte(r.IntN(256))), b[at:]...)
	}},
	{"frame lost", func(*rand.Rand, []byte) []byte { return nil }},
	{"frame repeated", func(_ *rand.Rand, b []byte) []byte { return append(b[:len(b):len(b)], b...) }},
	{"frame delayed", nil},
	{"frame repeated with a delay", nil},
}

// mostDelay bounds how late a frame is: less than the adapter waits before it gives a board up, since no line keeps a frame for longer.
const mostDelay = 80 * time.Millisecond

// pipe is a line that harms what it carries, in both directions.
type pipe struct {
	*hosttest.Cable
	random *rand.Rand
	chance float64 // that a frame is harmed
	frames int
	harmed map[string]int

	coming  []byte // from the board, harmed
	frame   []byte // from the board, not whole yet
	delayed []late
}

// late is a frame that comes late.
type late struct {
	at    time.Duration
	bytes []byte
	board bool // for the board
}

// carry takes a frame to its other end, in whatever form.
func (p *pipe) carry(frame []byte, toBoard bool) []byte {
	p.frames++
	if p.random.Float64() >= p.chance {
		return frame
	}
	harm := harms[p.random.IntN(len(harms))]
	p.harmed[harm.name]++
	if harm.do != nil {
		return harm.do(p.random, bytes.Clone(frame))
	}
	at := p.Now() + time.Duration(p.random.Int64N(int64(mostDelay)))
	p.delayed = append(p.delayed, late{at, bytes.Clone(frame), toBoard})
	if harm.name == "frame delayed" {
		return nil
	}
	return frame
}

// release lets frames go that are late enough.
func (p *pipe) release() error {
	for n := 0; n < len(p.delayed); {
		l := p.delayed[n]
		if l.at > p.Now() {
			n++
			continue
		}
		p.delayed = append(p.delayed[:n], p.delayed[n+1:]...)
		if !l.board {
			p.coming = append(p.coming, l.bytes...)
		} else if _, err := p.Cable.Write(l.bytes); err != nil {
			return err
		}
	}
	return nil
}

func (p *pipe) Write(b []byte) (int, error) { // package board writes one frame at a time
	if err := p.release(); err != nil {
		return 0, err
	}
	_, err := p.Cable.Write(p.carry(b, true))
	return len(b), err
}

func (p *pipe) Read(b []byte, wait time.Duration) (int, error) {
	for until := p.Now() + wait; ; {
		if err := p.release(); err != nil {
			return 0, err
		}
		if n := copy(b, p.coming); n > 0 {
			p.coming = p.coming[n:]
			return n, nil
		}
		left := until - p.Now()
		for _, l := range p.delayed {
			left = min(left, l.at-p.Now())
		}
		var raw [64]byte
		n, err := p.Cable.Read(raw[:], max(left, 0))
		if err != nil {
			return 0, err
		}
		for _, x := range raw[:n] {
			if p.frame = append(p.frame, x); x == 0 {
				p.coming = append(p.coming, p.carry(p.frame, false)...)
				p.frame = p.frame[:0]
			}
		}
		if n == 0 && p.Now() >= until {
			return 0, nil
		}
	}
}

// asked is what the one above the adapter wants by now, and what the board has done of it.
type asked struct {
	t        *testing.T
	packet   nmra.Packet // of the access, or that is sent
	times    int         // at most
	played   int
	total    int
	mayOn    int // how often the track may still be turned on
	switched int
	wrong    int
}

func (a *asked) fault(format string, args ...any) {
	a.wrong++
	if a.wrong < 20 {
		a.t.Errorf(format, args...)
	}
}

// watch holds what the board does to what was asked for. Resets and idle packets are its own too.
func (a *asked) watch(h *hosttest.Board) {
	h.Acts.Played = func(_ int, p nmra.Packet) {
		a.total++
		if s := p.String(); s == resetPacket || s == "FF 00 FF" {
			return
		}
		if a.played++; p != a.packet || a.played > a.times {
			a.fault("%v was played for the %d. time, asked for was %v %d times", p, a.played, a.packet, a.times)
		}
	}
	h.Acts.Switched = func(on bool) {
		if !on {
			return
		}
		a.switched++
		if a.mayOn--; a.mayOn < 0 {
			a.fault("the track was turned on, and nobody asked for that")
		}
	}
}

// want begins a request for a packet.
func (a *asked) want(p nmra.Packet, times int) { a.packet, a.times, a.played = p, times, 0 }

// campaign is how many rounds a test that counts makes: few in `make test`, many in `make proof`.
func campaign(few, many int) int {
	if os.Getenv("FETTLE_PROOF") != "" {
		return many
	}
	return few
}

func TestProofThatALineThatDamagesFramesMakesTheBoardDoNothingWrong(t *testing.T) {
	frames := campaign(10_000, 1_000_000)
	d := decoder(t, "tram-3", nil)
	program, err := hostBuild()
	if err != nil {
		t.Fatal(err)
	}
	track := bench.NewTrack(d)
	h, err := hosttest.Start(program, track)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := errors.Join(h.Close(), track.Close()); err != nil {
			t.Error(err)
		}
	}()
	random := rand.New(rand.NewPCG(1, 2))
	line := &pipe{Cable: &hosttest.Cable{Board: h, Left: -1}, random: random, harmed: map[string]int{}}
	a := &asked{t: t}
	a.watch(h)
	w := &wish{random: random, truth: d.Values()}
	right, lost, sessions := 0, 0, 0
	for line.frames < frames {
		line.chance = [...]float64{0.02, 0.05, 0.1, 0.3}[sessions%4]
		sessions++
		w.before = nmra.Access{}
		b, err := New(line, "fuzzed")
		for n := 0; err == nil && n < 1000 && line.frames < frames; n++ {
			var done bool
			if done, err = w.request(b, a); done {
				right++
			}
		}
		if err != nil {
			if !errors.Is(err, station.ErrLost) {
				a.fault("neither an answer nor a board that is lost: %v", err)
			}
			lost++
		}
		if b != nil {
			b.Close() // which says an error where Off was not answered
		}
		// The board turns its track off by itself, where Off did not come through.
		if err := h.Run(1200 * time.Millisecond); err != nil {
			t.Fatal(err)
		}
		if h.On() {
			a.fault("the track is on, and its host is gone")
		}
		a.want(nmra.Packet{}, 0)
		a.mayOn = 0
		line.delayed, line.coming, line.frame = nil, nil, nil // the port is opened anew
	}
	held := d.Values()
	for r, v := range w.truth {
		if r.CV != 892 && held[r] != v {
			a.fault("register %v holds %d, want %d", r, held[r], v)
		}
	}
	t.Logf("%d frames, harmed: %v", line.frames, line.harmed)
	t.Logf("%d sessions, of which %d ended with a board that was lost; %d requests answered, each rightly; %d packets on the track, "+
		"which was turned on %d times; %d acts or answers wrong", sessions, lost, right, a.total, a.switched, a.wrong)
	if right < frames/10 || lost == 0 {
		t.Error("too little was answered, or nothing lost, for the counts to say anything")
	}
}

// wish is what a host does next, and what it has done.
type wish struct {
	random   *rand.Rand
	truth    cv.Values // what the decoder holds
	running  bool
	before   nmra.Access // the last thing asked, where it was a verify
	answered bool        // and acknowledged
}

// request wants one thing of the board, and holds the answer to what is right. done is false where nothing was asked.
func (w *wish) request(b *Board, a *asked) (done bool, err error) {
	a.want(nmra.Packet{}, 0)
	a.mayOn = 0
	ctx := a.t.Context()
	change, kind := w.random.IntN(1000), w.random.IntN(100)
	switch {
	case b.track == link.TrackOff:
		w.before, w.running = nmra.Access{}, false
		a.mayOn = 1
		_, err = b.PowerOn(ctx)
		return err == nil, err
	case change == 0:
		err = b.PowerOff(ctx)
		return err == nil, err
	case change == 1:
		w.running = !w.running
		w.before = nmra.Access{}
		return false, nil
	case kind < 40:
		saw, err := b.checkSupply(ctx)
		if err == nil && saw != "15.0 V" {
			a.fault("the supply is %s", saw)
		}
		return err == nil, err
	case w.running:
		return w.send(b, a)
	case kind < 43:
		return w.service(b, a, nmra.Access{Operation: nmra.Write, CV: 3, Value: uint8(w.random.IntN(256))})
	}
	registers := w.truth.Registers()
	r := registers[w.random.IntN(len(registers))]
	if r.CV == 892 { // changes by itself
		return false, nil
	}
	access := nmra.Access{CV: r.CV, Value: w.truth[r] ^ uint8(w.random.IntN(2))}
	if w.before.CV != 0 {
		access.Lead = nmra.AfterReset
		if !w.answered && (w.before.CV != access.CV || w.before.Value != access.Value) {
			access.Lead = nmra.Onward
		}
	}
	return w.service(b, a, access)
}

func (w *wish) send(b *Board, a *asked) (done bool, err error) {
	i := nmra.Instruction{Kind: nmra.Functions, Address: nmra.Address{Kind: nmra.Short, Number: uint16(1 + w.random.IntN(100))}, States: 5}
	p, err := i.Encode()
	if err != nil {
		return false, err
	}
	times := 1 + w.random.IntN(5)
	a.want(p, times)
	a.mayOn = 1
	err = b.Send(a.t.Context(), p, times)
	if err == nil && a.played != times {
		a.fault("%v was played %d times, asked for were %d", p, a.played, times)
	}
	return err == nil, err
}

func (w *wish) service(b *Board, a *asked, access nmra.Access) (done bool, err error) {
	sequence, err := access.Sequence()
	if err != nil {
		return false, err
	}
	var ask nmra.Step
	for _, s := range sequence {
		if s.Window == nmra.AfterSecond {
			ask = s
		}
	}
	a.want(ask.Packet, ask.Times)
	a.mayOn = 1
	answer, err := b.Service(a.t.Context(), access)
	w.before = nmra.Access{}
	r := cv.Register{CV: access.CV}
	switch {
	case err != nil && access.Writes():
		delete(w.truth, r) // it may have been done or not
		return false, err
	case err != nil:
		return false, err
	case access.Writes():
		w.truth[r] = access.Value
	default:
		w.before, w.answered = access, answer.Acknowledged
	}
	if answer.Acknowledged != (w.truth[r] == access.Value) {
		a.fault("%v: %+v, and it holds %d", access, answer, w.truth[r])
	}
	if a.played < ask.Least || !answer.Acknowledged && a.played != ask.Times {
		a.fault("%v: played %d times, %+v", access, a.played, answer)
	}
	return true, nil
}

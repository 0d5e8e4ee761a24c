package main

import (
	"bufio"
	"context"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/coder/websocket"
	"github.com/coder/websocket/wsjson"
	"github.com/google/go-cmp/cmp"

	"fettle/report/serve"
)

// served is a bench in the browser, until the test ends.
type served struct {
	t    *testing.T
	open []string // the addresses that it prints
	end  context.CancelCauseFunc
	code chan status
	text chan string // what it prints after them
}

func startServing(t *testing.T, args ...string) *served {
	t.Helper()
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	t.Setenv("FETTLE_STATION", "")
	ctx, end := context.WithCancelCause(t.Context())
	s := &served{t: t, end: end, code: make(chan status, 1), text: make(chan string, 1)}
	out, in := io.Pipe()
	go func() {
		s.code <- run(ctx, append([]string{"serve"}, args...), in, in)
		in.Close()
	}()
	lines := bufio.NewReader(out)
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			t.Fatalf("serve has ended: %v", err)
		}
		if address, ok := strings.CutPrefix(line, "open:    "); ok {
			s.open = append(s.open, strings.TrimSpace(address))
		} else if len(s.open) > 0 {
			break
		}
	}
	go func() {
		rest, _ := io.ReadAll(lines)
		s.text <- string(rest)
	}()
	return s
}

// stop ends it as Ctrl-C does, and gives what it printed after its addresses.
func (s *served) stop(want status) string {
	s.t.Helper()
	s.end(interrupted{syscall.SIGINT})
	if code := <-s.code; code != want {
		s.t.Errorf("status %d, want %d", code, want)
	}
	return <-s.text
}

// get asks for an address, by another host's name where there is one.
func get(t *testing.T, address, host string) *http.Response {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Host = host
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	return answer
}

func TestAServedBenchIsReachedByItsAddressAndByNoOtherName(t *testing.T) {
	s := startServing(t, "--listen", "127.0.0.1:0", t.TempDir())
	if len(s.open) != 1 || strings.Contains(s.open[0], "token") {
		t.Fatalf("open: %q, want one address without a token", s.open)
	}
	if answer := get(t, s.open[0], ""); answer.StatusCode != http.StatusOK {
		t.Errorf("%s: %s, want 200", s.open[0], answer.Status)
	}
	if answer := get(t, s.open[0], "bench.example"); answer.StatusCode == http.StatusOK {
		t.Errorf("by another host's name: %s, want it refused", answer.Status)
	}
	if text := s.stop(done); !strings.Contains(text, "The track is off.") {
		t.Errorf("found %q, want it to say that the track is off", text)
	}
}

func TestBeyondThisMachineABenchWantsATokenThatIsNewEachTime(t *testing.T) {
	tokens := map[string]bool{}
	for range 2 {
		s := startServing(t, "--listen", "0.0.0.0:0", t.TempDir())
		for _, open := range s.open {
			address, err := url.Parse(open)
			if err != nil {
				t.Fatal(err)
			}
			token := address.Query().Get("token")
			const least = 128 / 5 // letters of five bits each
			if len(token) < least {
				t.Errorf("%s: found a token of %d letters, want %d or more", open, len(token), least)
			}
			tokens[token] = true
		}
		address := strings.Split(s.open[len(s.open)-1], "?")[0] // of this machine itself
		if answer := get(t, address, ""); answer.StatusCode != http.StatusForbidden {
			t.Errorf("without the token: %s, want 403", answer.Status)
		}
		text := s.stop(done)
		if !strings.Contains(strings.Join(strings.Fields(text), " "), "use one that you trust") {
			t.Errorf("found %q, want the caution", text)
		}
	}
	if len(tokens) != 2 {
		t.Errorf("found %d tokens of two starts, want 2", len(tokens))
	}
}

func TestABatchThatIsHalfWayAsAServedBenchEndsIsSaidByTheStatus(t *testing.T) {
	folder := t.TempDir()
	const set = "title = \"Harbour tram 3\"\n[registers]\n3 = 12\n4 = 10\n5 = 170\n6 = 96\n"
	if err := os.WriteFile(filepath.Join(folder, "tram.toml"), []byte(set), 0o600); err != nil {
		t.Fatal(err)
	}
	decoder := filepath.Join("..", "..", "testdata", "decoders", "tram-3-power-cut.toml") // at its third write
	s := startServing(t, "--listen", "127.0.0.1:0", "--station", "bench:"+decoder, folder)
	window, _, err := websocket.Dial(t.Context(), strings.Replace(s.open[0], "http:", "ws:", 1)+"live?window="+strings.Repeat("1", 32), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer window.CloseNow()
	window.SetReadLimit(1 << 20)
	until := func(order serve.Order, phase string) {
		t.Helper()
		if err := wsjson.Write(t.Context(), window, order); err != nil {
			t.Fatal(err)
		}
		for answered, seen := false, ""; !answered || seen != phase && phase != ""; {
			var event serve.Event
			if err := wsjson.Read(t.Context(), window, &event); err != nil {
				t.Fatalf("waiting for what comes of %s: %v", order.Do, err)
			}
			if a := event.Answer; a != nil && a.ID == order.ID {
				if a.Refused != "" {
					t.Fatalf("%s: refused: %s", order.Do, a.Refused)
				}
				answered = true
			}
			if s := event.State; s != nil && s.Batch != nil {
				seen = s.Batch.Phase
			}
		}
	}
	until(serve.Order{ID: 1, Do: serve.TakeSeat}, "")
	until(serve.Order{ID: 2, Do: serve.PlanSet, File: "tram.toml"}, "planned")
	until(serve.Order{ID: 3, Do: serve.ApplySet}, "stopped")
	if text := s.stop(stopped); !strings.Contains(text, ".journal") {
		t.Errorf("found %q, want the name of the journal", text)
	}
}

func TestAListenerIsReachedByTheNamesThatBelongToIt(t *testing.T) {
	machine, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at     net.TCPAddr
		name   string
		open   []string
		hosts  []string
		beyond bool
	}{
		{at: net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8087}, name: "127.0.0.1",
			open: []string{"127.0.0.1:8087"}, hosts: []string{"localhost:8087", "127.0.0.1:8087"}},
		{at: net.TCPAddr{IP: net.IPv6loopback, Port: 80}, name: "localhost",
			open: []string{"[::1]:80"}, hosts: []string{"localhost:80", "localhost", "[::1]:80", "[::1]", "localhost:80", "localhost"}},
		{at: net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 8087}, name: "quay.example", beyond: true,
			open:  []string{"192.0.2.7:8087"},
			hosts: []string{"localhost:8087", "192.0.2.7:8087", "quay.example:8087", machine + ":8087", machine + ".local:8087"}},
	} {
		r, err := reachedAt(&c.at, c.name)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(reach{c.open, c.hosts, c.beyond}, r, cmp.AllowUnexported(reach{})); diff != "" {
			t.Errorf("%v (-want +got):\n%s", &c.at, diff)
		}
	}
}

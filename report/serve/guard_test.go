package serve

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/coder/websocket"
)

// served is a server on a bench behind a real listener, which it closes with the test.
func served(t *testing.T, token string, files map[string]string) (*Server, *httptest.Server) {
	t.Helper()
	folder := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var handler http.Handler
	web := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { handler.ServeHTTP(w, r) }))
	s, err := New(Options{Station: on(t, "tram-3"), Folder: folder, Silence: 5 * time.Second, Hosts: []string{strings.TrimPrefix(web.URL, "http://")},
		Token: token, Pace: 20, Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	handler = s.Handler()
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("closing: %v", err)
		}
		web.Close()
	})
	return s, web
}

// get asks for a path with headers, and follows nothing.
func get(t *testing.T, web *httptest.Server, path string, headers ...string) *http.Response {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, web.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(headers); i += 2 {
		if headers[i] == "Host" {
			r.Host = headers[i+1]
			continue
		}
		r.Header.Add(headers[i], headers[i+1])
	}
	answer, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = answer.Body.Close() })
	return answer
}

func TestEveryAnswerSaysWhatABrowserMayDo(t *testing.T) {
	_, web := served(t, "", nil)
	for _, path := range []string{"/", "/page.css", "/nowhere", "/live"} {
		h := get(t, web, path).Header
		for name, want := range map[string]string{
			"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
				"base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
			"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cache-Control": "no-store",
		} {
			if got := h.Get(name); got != want {
				t.Errorf("%s: found %s: %q, want %q", path, name, got, want)
			}
		}
	}
}

func TestOnlyOurOwnPageOnOurOwnHostComesIn(t *testing.T) {
	_, web := served(t, "", nil)
	host := strings.TrimPrefix(web.URL, "http://")
	live := "/live?window=" + first
	for _, c := range []struct {
		path    string
		headers []string
		want    int
	}{
		{"/", nil, 200},
		{"/", []string{"Host", strings.ToUpper(host)}, 200},
		{"/", []string{"Host", "harbour.invalid"}, 421}, // a name that somebody else gave this machine
		{"/", []string{"Host", "harbour.invalid:8087"}, 421},
		{"/", []string{"Host", host + ".harbour.invalid"}, 421},
		{live, []string{"Host", "harbour.invalid", "Origin", "http://harbour.invalid"}, 421},
		{"/", []string{"Origin", web.URL}, 200},
		{"/", []string{"Origin", "http://harbour.invalid"}, 403},
		{"/", []string{"Origin", "null"}, 403},
		{"/", []string{"Origin", ""}, 403},
		{"/", []string{"Origin", web.URL, "Origin", "http://harbour.invalid"}, 403},
		{"/", []string{"Origin", "ftp://" + host}, 403},
		{live, []string{"Origin", "http://harbour.invalid"}, 403},
		{live, []string{"Origin", "http://localhost:1"}, 403},
		{"/", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 200}, // a link
		{"/", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors"}, 403},
		{"/evidence", []string{"Sec-Fetch-Site", "same-site", "Sec-Fetch-Mode", "navigate"}, 403},
		{live, []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "websocket"}, 403},
		{"/live", nil, 400},
		{"/live?window=../1", nil, 400},
		{live, nil, 426}, // no WebSocket
		{"/../serve.go", nil, 307},
		{"/page/index.html", nil, 404},
		{"/plot-1.svg", nil, 404},
		{"/street.toml", nil, 404},
	} {
		if got := get(t, web, c.path, c.headers...).StatusCode; got != c.want {
			t.Errorf("%s with %q: found status %d, want %d", c.path, c.headers, got, c.want)
		}
	}
	r, err := http.Post(web.URL+"/", "text/plain", strings.NewReader("x"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("POST: found status %d, want 405", r.StatusCode)
	}
}

func TestBeyondThisMachineNobodyComesInWithoutTheToken(t *testing.T) {
	s, web := served(t, "a-token-of-a-test", nil)
	s.guard.wait = time.Millisecond
	for _, path := range []string{"/", "/page.css", "/evidence", "/live?window=" + first, "/page.css?token=a-token-of-a-test"} {
		if got := get(t, web, path).StatusCode; got != http.StatusForbidden {
			t.Errorf("%s: found status %d, want 403", path, got)
		}
	}
	for _, token := range []string{"", "a-token-of-a-tes", "a-token-of-a-test-", "another"} {
		a := get(t, web, "/?token="+token)
		if a.StatusCode != http.StatusForbidden || len(a.Cookies()) > 0 {
			t.Errorf("token %q: found status %d and cookies %v, want 403 and none", token, a.StatusCode, a.Cookies())
		}
	}
	a := get(t, web, "/?token=a-token-of-a-test", "Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate")
	if a.StatusCode != http.StatusOK || len(a.Cookies()) != 1 {
		t.Fatalf("found status %d and cookies %v, want 200 and one", a.StatusCode, a.Cookies())
	}
	c := a.Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || strings.Contains(c.Value, "a-token") {
		t.Errorf("found cookie %v, want it HttpOnly, SameSite=Strict, and without the token", c)
	}
	for _, path := range []string{"/", "/page.css"} {
		if got := get(t, web, path, "Cookie", c.Name+"="+c.Value).StatusCode; got != http.StatusOK {
			t.Errorf("%s with the cookie: found status %d, want 200", path, got)
		}
		if got := get(t, web, path, "Cookie", c.Name+"="+c.Value+"x").StatusCode; got != http.StatusForbidden {
			t.Errorf("%s with a wrong cookie: found status %d, want 403", path, got)
		}
	}
}

func TestWrongTokensAreMadeToWaitAndNotWithoutEnd(t *testing.T) {
	s, web := served(t, "a-token-of-a-test", nil)
	s.guard.wait = time.Hour
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	for range mostWrong {
		go func() {
			r, _ := http.NewRequestWithContext(ctx, http.MethodGet, web.URL+"/?token=wrong", nil)
			if a, err := http.DefaultTransport.RoundTrip(r); err == nil {
				t.Errorf("found an answer, %s, want it to wait", a.Status)
				_ = a.Body.Close()
			}
		}()
	}
	for len(s.guard.slow) < mostWrong {
		time.Sleep(time.Millisecond)
	}
	if got := get(t, web, "/?token=wrong").StatusCode; got != http.StatusTooManyRequests {
		t.Errorf("found status %d, want 429", got)
	}
	if got := get(t, web, "/?token=a-token-of-a-test").StatusCode; got != http.StatusOK {
		t.Errorf("the right token: found status %d, want 200", got)
	}
}

// socket is a window over a real connection.
type socket struct {
	*testing.T
	*websocket.Conn
	state State
}

func connected(t *testing.T, web *httptest.Server, window string) *socket {
	t.Helper()
	conn, _, err := websocket.Dial(t.Context(), web.URL+"/live?window="+window, &websocket.DialOptions{HTTPHeader: http.Header{"Origin": {web.URL}}})
	if err != nil {
		t.Fatal(err)
	}
	conn.SetReadLimit(1 << 20)
	t.Cleanup(func() { _ = conn.CloseNow() })
	return &socket{T: t, Conn: conn}
}

// next is the next answer, or the status with which the connection was closed.
func (s *socket) next() (Answer, websocket.StatusCode) {
	s.Helper()
	for {
		_, data, err := s.Read(s.Context())
		if err != nil {
			return Answer{}, websocket.CloseStatus(err)
		}
		var e Event
		if err := json.Unmarshal(data, &e); err != nil {
			s.Fatal(err)
		}
		if e.State != nil {
			s.state = *e.State
		}
		if e.Answer != nil {
			return *e.Answer, 0
		}
	}
}

func (s *socket) say(text string) {
	s.Helper()
	if err := s.Write(s.Context(), websocket.MessageText, []byte(text)); err != nil {
		s.Fatal(err)
	}
}

func TestAWindowIsToldAndAnswered(t *testing.T) {
	_, web := served(t, "", map[string]string{"street.toml": testdata(t, "sets/tram-3-street.toml")})
	w := connected(t, web, first)
	w.say(`{"id":1,"do":"take_seat"}`)
	if a, status := w.next(); a.ID != 1 || a.Refused != "" || status != 0 {
		t.Fatalf("found answer %+v, status %d", a, status)
	}
	w.say(`{"id":2,"do":"beat"}`)
	if a, _ := w.next(); a.ID != 2 {
		t.Errorf("found answer %+v to a beat", a)
	}
	if s := w.state; s.Seat != Mine || !s.Simulated || s.Version != "test" || s.SilenceMS != 5000 || len(s.Sets) != 1 {
		t.Errorf("found state %+v", s)
	}
	again := connected(t, web, first) // the same window, from a copy of the page
	if _, status := w.next(); status != replaced {
		t.Errorf("found status %d for the one that was replaced, want %d", status, replaced)
	}
	again.say(`{"id":3,"do":"identify"}`)
	if a, _ := again.next(); a.ID != 3 || a.Refused != "" {
		t.Errorf("found answer %+v", a)
	}
	again.say(`{"id":4,"do":"stop"}`)
	if a, _ := again.next(); a.ID != 4 || a.Refused != "" {
		t.Errorf("found answer %+v to a stop", a)
	}
}

func TestAWindowThatSendsWhatIsNoOrderIsLetGo(t *testing.T) {
	_, web := served(t, "", nil)
	for _, text := range []string{"", "x", `{"id":0,"do":"beat"}`, `{"id":1,"do":"run"}`, `{"id":1,"do":"beat","path":"/etc/passwd"}`,
		`{"id":1,"do":"beat"}{"id":2,"do":"beat"}`, `{"id":1,"do":"note","stop_mm":-1}`, `{"id":1,"do":"note","stop_mm":1e300}`,
		`{"id":1,"do":"plan","text":"` + strings.Repeat("x", mostText+1) + `"}`} {
		w := connected(t, web, first)
		w.say(text)
		if _, status := w.next(); status != websocket.StatusPolicyViolation {
			t.Errorf("%.60q: found status %d, want %d", text, status, websocket.StatusPolicyViolation)
		}
	}
	w := connected(t, web, first)
	w.say(strings.Repeat(" ", mostMessage+1))
	if _, status := w.next(); status != websocket.StatusMessageTooBig {
		t.Errorf("found status %d for a message that is too large, want %d", status, websocket.StatusMessageTooBig)
	}
}

// FuzzParseOrder: whatever the bytes, there is an order that is in bounds, or an error.
func FuzzParseOrder(f *testing.F) {
	f.Add([]byte(`{"id":1,"do":"note","run":3,"stop_mm":1402.5,"stop_s":9.4,"note":"lights on","sure":true}`))
	f.Add([]byte(`{"id":1,"do":"plan","text":"title = \"x\""}`))
	f.Add([]byte(`{"id":9223372036854775808,"do":"beat"}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		o, err := parseOrder(data)
		if err != nil {
			if o != (Order{}) {
				t.Errorf("found order %+v beside an error", o)
			}
			return
		}
		if o.ID < 1 || o.Do == "" || len(o.Text) > mostText || !(o.StopMM >= 0 && o.StopMM <= mostMM) || !(o.StopS >= 0 && o.StopS <= mostS) {
			t.Errorf("found order %+v out of bounds", o)
		}
		text, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := parseOrder(text); err != nil || again != o {
			t.Errorf("found %+v, %v again, want %+v", again, err, o)
		}
	})
}

package serve

import (
	"crypto/subtle"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/sirupsen/logrus"
)

// guard lets in who may come in: requests for a host that is ours, not from the page of another site, and with the cookie that follows the
// token, where one is asked for. So no page on the Internet reaches the bench through a browser that can: not by its address, which gives
// its own origin, nor by a name of its own for this machine, which is another host (RFC 6454, RFC 9110).
type guard struct {
	hosts  []string
	token  string
	cookie string
	slow   chan struct{} // holds one for each wrong token that is being made to wait
	wait   time.Duration // how long it waits
}

const (
	cookieName = "fettle"
	cookieLife = 30 * 24 * time.Hour
	mostWrong  = 4               // wrong tokens that wait at the same time
	wrongWait  = 2 * time.Second // for each
	slowest    = 30 * time.Second
)

// policy is what a browser may do on our page: load what is ours, and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// only serves what next does to those who may come in.
func (g *guard) only(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		refuse := func(code int, why string) {
			logrus.WithFields(logrus.Fields{"from": r.RemoteAddr, "why": why}).Warn("refused a request")
			http.Error(w, why, code)
		}
		control := http.NewResponseController(w)
		_ = control.SetReadDeadline(time.Now().Add(slowest)) // what can't be told a time is no connection
		_ = control.SetWriteDeadline(time.Now().Add(slowest))
		switch {
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			h.Set("Allow", "GET, HEAD")
			refuse(http.StatusMethodNotAllowed, "Found "+r.Method+", want GET.")
		case !g.known(r.Host):
			refuse(http.StatusMisdirectedRequest, "This bench does not answer to that name. Use the address that fettle serve has printed.")
		case !g.fromUs(r):
			refuse(http.StatusForbidden, "The page of another site may not use this bench.")
		case g.token == "" || g.same(g.shown(r), g.cookie):
			next.ServeHTTP(w, r)
		case r.URL.Path == "/" && r.URL.Query().Has("token"):
			g.enter(w, r, refuse)
		default:
			refuse(http.StatusForbidden, "Open the address that fettle serve has printed, with its token.")
		}
	})
}

// known says whether a host is one of ours.
func (g *guard) known(host string) bool {
	return slices.ContainsFunc(g.hosts, func(ours string) bool { return strings.EqualFold(ours, host) })
}

// fromUs says whether a request comes from our own page, from no page at all, or goes to our page by a link.
func (g *guard) fromUs(r *http.Request) bool {
	if origins := r.Header.Values("Origin"); len(origins) > 0 {
		origin, err := url.Parse(origins[0])
		if len(origins) > 1 || err != nil || origin.Scheme != "http" && origin.Scheme != "https" || !strings.EqualFold(origin.Host, r.Host) {
			return false
		}
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "none", "same-origin":
		return true
	}
	return r.URL.Path == "/" && r.Header.Get("Sec-Fetch-Mode") == "navigate"
}

// shown is the cookie that a request has.
func (g *guard) shown(r *http.Request) string {
	cookie, err := r.Cookie(cookieName)
	if err != nil {
		return ""
	}
	return cookie.Value
}

func (g *guard) same(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// entered leads on to the page. It does so from a page of ours, since a browser that came by a link of another site's keeps the cookie back until
// then; and the token goes out of its address.
const entered = `<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>Fettle</title><link rel="icon" href="/icon.svg" type="image/svg+xml"><meta http-equiv="refresh" content="0; url=/">` +
	`<p><a href="/">To the bench</a></p></html>` + "\n"

// enter takes a token, and gives the cookie for it. One that is wrong waits.
func (g *guard) enter(w http.ResponseWriter, r *http.Request, refuse func(int, string)) {
	if !g.same(r.URL.Query().Get("token"), g.token) {
		select {
		case g.slow <- struct{}{}:
			defer func() { <-g.slow }()
		default:
			refuse(http.StatusTooManyRequests, "Too many wrong tokens: wait a while.")
			return
		}
		select {
		case <-time.After(g.wait):
		case <-r.Context().Done():
		}
		refuse(http.StatusForbidden, "The token is wrong. Open the address that fettle serve has printed.")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: g.cookie, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode,
		MaxAge: int(cookieLife.Seconds())})
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write([]byte(entered))
}

package serve

import (
	"bytes"
	"fmt"
	"net/http"
	"time"

	"github.com/sirupsen/logrus"

	"fettle/report"
	"fettle/report/chart"
)

// plots are the pictures of the trial that is open: the last one, under a name that no other one had.
type plots struct {
	made    int
	braking chart.Braking
}

// add makes a picture the last one, and gives its address.
func (p *plots) add(b chart.Braking) string {
	p.made++
	p.braking = b
	return p.address()
}

func (p *plots) address() string { return fmt.Sprintf("/plot-%d.svg", p.made) }

// styled is what a browser may do with a picture or a page of evidence, whose styles are in it: load nothing.
const styled = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// plot serves the picture.
func (s *Server) plot(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	shown, known := s.plots.braking, s.plots.made > 0 && r.URL.Path == s.plots.address()
	s.mu.Unlock()
	if !known {
		page().ServeHTTP(w, r)
		return
	}
	var picture bytes.Buffer
	if err := shown.WritePage(&picture, r.URL.Query().Has("narrow")); err != nil {
		logrus.WithError(err).Error("the picture can't be drawn")
		http.Error(w, "The picture can't be drawn.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Security-Policy", styled)
	w.Header().Set("Content-Type", "image/svg+xml")
	_, _ = w.Write(picture.Bytes())
}

// evidence serves the page of evidence of the folder, made anew. One is made at a time.
func (s *Server) evidence(w http.ResponseWriter, r *http.Request) {
	select {
	case s.report <- struct{}{}:
		defer func() { <-s.report }()
	case <-r.Context().Done():
		return
	case <-s.ctx.Done():
		http.Error(w, "The bench was closed.", http.StatusServiceUnavailable)
		return
	}
	var written bytes.Buffer
	f, err := report.Read(r.Context(), string(s.folder), nil)
	if err == nil {
		err = report.WriteHTML(&written, []report.Folder{f}, report.Made{Version: s.options.Version, When: time.Now()})
	}
	if err != nil {
		logrus.WithError(err).Warn("the page of evidence can't be made")
		http.Error(w, "The page of evidence can't be made: "+sentence(err), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Security-Policy", styled+"; img-src data:")
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(written.Bytes())
}

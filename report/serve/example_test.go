package serve_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"time"

	"fettle/report/serve"
	"fettle/station/bench"
)

func ExampleNew() {
	spec, _ := bench.BuiltIn("tram-3")
	folder, _ := os.MkdirTemp("", "harbour")
	defer os.RemoveAll(folder)
	s, err := serve.New(serve.Options{
		Station: bench.New(spec.New(1)), Folder: folder, Silence: 5 * time.Second, Hosts: []string{"127.0.0.1:8087"}, Pace: 10,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer s.Close()
	for _, host := range []string{"127.0.0.1:8087", "elsewhere.invalid"} {
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://"+host+"/", nil))
		fmt.Println(host, w.Code, http.StatusText(w.Code))
	}
	// Output:
	// 127.0.0.1:8087 200 OK
	// elsewhere.invalid 421 Misdirected Request
}

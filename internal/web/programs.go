package web

import (
	"net/http"
	"strings"

	"sapward/internal/api"
)

// programs leads requests of programs to the interface for them. One with a token
// of its own needs no cookie and gets none; one of a browser passes the same
// checks as the pages.
func (s *Server) programs(browser, pages http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case !strings.HasPrefix(r.URL.Path, api.Root):
			pages.ServeHTTP(w, r)
		case api.IsBearer(r):
			s.api.ServeHTTP(w, r)
		default:
			browser.ServeHTTP(w, r)
		}
	})
}

package viewer

import (
	"context"
	"crypto/subtle"
	"net/http"
	"strings"
	"sync"
	"time"
)

// policy lets the page load its own files and ask its own server, and nothing
// else: no script in it, no style in it, nothing from the network, no frame.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"

// guard lets requests through that a page of this server made. Any page in the
// browser can send requests to this machine: what it cannot do is know the token
// (which stands in the path), and, where a name of its own leads to 127.0.0.1,
// send our Host. A browser names another page that asks in Origin and in
// Sec-Fetch-Site (Fetch standard and Fetch Metadata).
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		for name, value := range map[string]string{
			"Content-Security-Policy":      policy,
			"X-Content-Type-Options":       "nosniff",
			"Referrer-Policy":              "no-referrer",
			"Cross-Origin-Opener-Policy":   "same-origin",
			"Cross-Origin-Resource-Policy": "same-origin",
			"Cache-Control":                "no-store",
		} {
			h.Set(name, value)
		}
		// A link to the page may stand anywhere: following it shows the page, and to
		// nobody but who sits there.
		followed := r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document"
		origin, site := r.Header.Get("Origin"), r.Header.Get("Sec-Fetch-Site")
		token, rest, ok := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
		switch {
		case r.Host != s.host:
			http.Error(w, "not this host", http.StatusForbidden)
		case origin != "" && origin != "http://"+s.host, site != "" && site != "same-origin" && site != "none" && !followed:
			http.Error(w, "not for other pages", http.StatusForbidden)
		case subtle.ConstantTimeCompare([]byte(token), []byte(s.token)) != 1 || !ok:
			http.Error(w, "no such page", http.StatusNotFound)
		default:
			inner := r.Clone(r.Context())
			inner.URL.Path, inner.URL.RawPath = "/"+rest, ""
			next.ServeHTTP(w, inner)
		}
	})
}

// patience is how long a page may be gone: loading it anew takes a moment.
const patience = 3 * time.Second

// pages counts the pages that are open. Each holds a request open.
type pages struct {
	mu      sync.Mutex
	open    int
	seen    bool
	changed chan struct{}
}

func (p *pages) serve(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/event-stream")
	w.WriteHeader(http.StatusOK)
	http.NewResponseController(w).Flush()
	p.count(1)
	defer p.count(-1)
	<-r.Context().Done()
}

func (p *pages) count(by int) {
	p.mu.Lock()
	p.open, p.seen = p.open+by, true
	p.mu.Unlock()
	select {
	case p.changed <- struct{}{}:
	default:
	}
}

func (p *pages) gone() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.seen && p.open == 0
}

// left is closed when a page was open and none is any more.
func (p *pages) left(ctx context.Context) <-chan struct{} {
	left := make(chan struct{})
	go func() {
		var late <-chan time.Time
		for {
			select {
			case <-ctx.Done():
				return
			case <-p.changed:
				late = nil
				if p.gone() {
					late = time.After(patience)
				}
			case <-late:
				close(left)
				return
			}
		}
	}()
	return left
}

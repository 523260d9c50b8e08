// Package viewer is the page that shows clips in a browser: what the panel and
// the DAC get, beat by beat, and where a player would be late.
//
// A [Server] listens on this machine alone, at a port that the system picks,
// and answers only under a path that nobody can guess (guard.go). It hands out
// the page, which is embedded, and what the page asks for:
//
//	GET  clips                         the clips by number: name, facts
//	GET  clips/N                       the beats of a clip: bytes, codings, damage
//	GET  clips/N/pixels?from=B&count=C what the panel shows with some beats
//	GET  clips/N/sound?from=B&count=C  the samples that play with some beats
//	GET  clips/N/wirings?…             how the card may be wired, each judged
//	GET  clips/N/verdict?…             one wiring judged, and what comes late
//	GET  clips/N/before/pixels?…       what the clip's source has in their place
//	GET  clips/N/before/scores?from=B  how near beats come to it, as far as is known
//	GET  clips/N/before/tried?from=B…  a beat with another dither and tone
//	GET  open                          stays open as long as the page is
//
// Pictures are decoded by [container.Reader.Show], as unpack and verify do, so
// that script never decodes anything. An answer has so many beats and bytes at
// most, whatever is asked; the page asks again, a little ahead of playing.
//
// Verdicts are those of package budget. What comes late, and how late, is what
// package simulate finds when the card pauses at each bad moment (predict.go).
package viewer

import (
	"context"
	"crypto/rand"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"path"
	"strconv"
	"strings"
	"sync"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

//go:embed page
var embedded embed.FS

// Clip is a clip that the server may show, and no other file.
type Clip struct {
	Name  string // that the page shows
	Path  string // that [fill.Open] takes
	Shelf string // where the remote control finds it; clips of one follow each other
}

// mostOpen is how many clips are held open at a time.
const mostOpen = 4

// Server serves the page of some clips on one player.
type Server struct {
	clips  []Clip
	player *playerfile.Player
	flash  func(*container.Header) (string, []time.Duration)
	token  string
	host   string // address and port, as a browser names it
	listen net.Listener
	http   *http.Server
	before *before // nil where no source was given

	mu     sync.Mutex
	opened []*opened // the one used last at the end

	pages pages
}

// New listens at a port of 127.0.0.1 that the system picks. Nothing is answered
// before [Server.Serve]. flash says what flashes in a clip, as it was noted when
// it was packed, and from where on; "" for nothing to worry about.
func New(clips []Clip, player *playerfile.Player, flash func(*container.Header) (text string, at []time.Duration)) (*Server, error) {
	listen, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("the page needs a port of this machine: %w", err)
	}
	s := &Server{clips: clips, player: player, flash: flash, token: rand.Text(), host: listen.Addr().String(), listen: listen}
	s.pages.changed = make(chan struct{}, 1)
	s.http = &http.Server{
		Handler:           s.guard(s.routes()),
		ReadHeaderTimeout: 10 * time.Second,
		MaxHeaderBytes:    16 << 10,
	}
	return s, nil
}

// Address is where the page is. Whoever knows it may see the clips.
func (s *Server) Address() string { return "http://" + s.host + "/" + s.token + "/" }

// Serve answers until the context ends or, where keep is false, until the page
// has been closed.
func (s *Server) Serve(ctx context.Context, keep bool) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	// An answer that is under way ends with its context, that of a page above all.
	s.http.BaseContext = func(net.Listener) context.Context { return ctx }
	if s.before != nil {
		s.before.ctx = ctx
		defer s.before.close()
	}
	ended := make(chan error, 1)
	go func() { ended <- s.http.Serve(s.listen) }()
	var closed <-chan struct{}
	if !keep {
		closed = s.pages.left(ctx)
	}
	var err error
	select {
	case err = <-ended:
	case <-ctx.Done():
	case <-closed:
	}
	stop()
	last, done := context.WithTimeout(context.Background(), time.Second)
	defer done()
	if s.http.Shutdown(last) != nil {
		s.http.Close()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, o := range s.opened {
		o.close()
	}
	s.opened = nil
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

// kinds are the media types of the page's files.
var kinds = map[string]string{".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}

// routes are the answers below the token.
func (s *Server) routes() http.Handler {
	page, err := fs.Sub(embedded, "page")
	if err != nil {
		panic(err) // the folder is embedded above
	}
	mux := http.NewServeMux()
	files := http.FileServerFS(page)
	mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		// Said here, as some systems have other ideas of what a script is.
		if kind := kinds[path.Ext(r.URL.Path)]; kind != "" {
			w.Header().Set("Content-Type", kind)
		}
		files.ServeHTTP(w, r)
	})
	mux.HandleFunc("GET /open", s.pages.serve)
	mux.HandleFunc("GET /clips", s.serveClips)
	for pattern, answer := range map[string]func(http.ResponseWriter, *http.Request, *opened) error{
		"GET /clips/{clip}":        s.serveBeats,
		"GET /clips/{clip}/pixels": s.servePixels,
		"GET /clips/{clip}/sound":  s.serveSound,
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			o, err := s.lock(r.PathValue("clip"))
			if err == nil {
				defer o.mu.Unlock()
				err = answer(w, r, o)
			}
			if err != nil {
				refuse(w, err)
			}
		})
	}
	// A verdict takes a while for a long clip, and pictures must not wait for it; nor for
	// those of a source.
	for pattern, answer := range map[string]func(http.ResponseWriter, *http.Request, *opened) error{
		"GET /clips/{clip}/wirings":       s.serveWirings,
		"GET /clips/{clip}/verdict":       s.serveVerdict,
		"GET /clips/{clip}/before/pixels": s.held(s.serveBefore),
		"GET /clips/{clip}/before/scores": s.held(s.serveScores),
		"GET /clips/{clip}/before/tried":  s.held(s.serveTried),
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			o, err := s.open(r.PathValue("clip"))
			if err == nil {
				err = answer(w, r, o)
			}
			if err != nil {
				refuse(w, err)
			}
		})
	}
	return mux
}

// lock returns an opened clip, locked for one answer.
func (s *Server) lock(number string) (*opened, error) {
	for {
		o, err := s.open(number)
		if err != nil {
			return nil, err
		}
		o.mu.Lock()
		if o.file != nil {
			return o, nil
		}
		o.mu.Unlock() // it was closed meanwhile, as others were wanted
	}
}

// open returns an opened clip, and closes the one not used for longest where
// too many are.
func (s *Server) open(number string) (*opened, error) {
	n, err := strconv.Atoi(number)
	if err != nil || n < 0 || n >= len(s.clips) {
		return nil, &request{http.StatusNotFound, fmt.Sprintf("clip %q: there are clips 0 to %d", number, len(s.clips)-1)}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, o := range s.opened {
		if o.number == n {
			s.opened = append(append(s.opened[:i:i], s.opened[i+1:]...), o)
			return o, nil
		}
	}
	o, err := openClip(&s.clips[n], n)
	if err != nil {
		return nil, err
	}
	if len(s.opened) == mostOpen {
		old := s.opened[0]
		s.opened = s.opened[1:]
		go old.close() // when its last answer is out
	}
	s.opened = append(s.opened, o)
	return o, nil
}

// listed is a clip in the list.
type listed struct {
	Name  string `json:"name"`
	Shelf string `json:"shelf"`
	Facts *facts `json:"facts"` // null where it cannot be read
	Error string `json:"error,omitempty"`
}

func (s *Server) serveClips(w http.ResponseWriter, r *http.Request) {
	list := struct {
		Player playerFacts `json:"player"`
		Clips  []listed    `json:"clips"`
		// What the clip is held against; null without a source.
		Before *beforeFacts `json:"before"`
	}{playerFactsOf(s.player), []listed{}, s.before.facts()}
	for i := range s.clips {
		if r.Context().Err() != nil {
			return
		}
		item := listed{Name: s.clips[i].Name, Shelf: s.clips[i].Shelf}
		reader, f, err := fill.Open(s.clips[i].Path)
		if err != nil {
			item.Error = words(err)
		} else {
			h := reader.Header()
			item.Facts = factsOf(&h)
			text, times := s.flash(&h)
			item.Facts.Flashes = text
			for _, at := range times {
				item.Facts.FlashAt = append(item.Facts.FlashAt, at.Seconds())
			}
			f.Close()
		}
		list.Clips = append(list.Clips, item)
	}
	answer(w, list)
}

// request is an error about what was asked.
type request struct {
	status int
	text   string
}

func (e *request) Error() string { return e.text }

func refuse(w http.ResponseWriter, err error) {
	status := http.StatusInternalServerError
	var asked *request
	if errors.As(err, &asked) {
		status = asked.status
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(struct {
		Error string `json:"error"`
	}{words(err)})
}

// words are those of an error without the name of the package that found it, which
// a person need not know.
func words(err error) string { return strings.ReplaceAll(err.Error(), "container: ", "") }

func answer(w http.ResponseWriter, v any) error {
	w.Header().Set("Content-Type", "application/json")
	return json.NewEncoder(w).Encode(v)
}

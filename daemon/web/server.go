package web

import (
	"context"
	"crypto/tls"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"runtime/debug"
	"strings"
	"time"

	"standwatch/daemon/people"
	"standwatch/rules"
)

// What the browser gets as it is. vendor holds the curve library where
// deploy/assets has fetched it; its README keeps the folder in the tree.
//
//go:embed assets/app.js assets/door.js assets/trace.js assets/phone.js assets/sign.js assets/worker.js assets/style.css assets/icon.svg assets/icon-180.png assets/icon-192.png assets/icon-512.png assets/site.webmanifest assets/vendor
var assetFiles embed.FS

//go:embed pages
var pageFiles embed.FS

// Option is something the screens can do without.
type Option func(*screens)

// WithLinks lets the links in messages acknowledge.
func WithLinks(links Links) Option { return func(s *screens) { s.links = links } }

// WithMetrics mounts a handler at /metrics.
func WithMetrics(h http.Handler) Option { return func(s *screens) { s.metrics = h } }

// WithPeople says who may get in.
func WithPeople(p *people.Store) Option { return func(s *screens) { s.people = p } }

// WithDoor lets pages show where the box is reached on the site network, and
// opens it for a claim.
func WithDoor(d *Door) Option { return func(s *screens) { s.door = d } }

// WithPapers lets the page Record hand out what a job ends with.
func WithPapers(p Papers) Option { return func(s *screens) { s.papers = p } }

// WithCopies lets the page Record send copies of them out.
func WithCopies(c Copies) Option { return func(s *screens) { s.copies = c } }

// WithVisits lets earlier visits' bundles be taken in and shown.
func WithVisits(v Visits) Option { return func(s *screens) { s.visits = v } }

// WithLog says where to report what a page could not do.
func WithLog(log *slog.Logger) Option { return func(s *screens) { s.log = log } }

type screens struct {
	cfg     Config
	box     Box
	log     *slog.Logger
	words   words
	pages   map[string]*template.Template
	links   Links
	guesses *guesses // of acknowledgement links
	keeper  Keeper   // of the rota; nil: there is no page Watch
	metrics http.Handler
	people  *people.Store // nil: whoever is at this machine may do everything
	door    *Door         // nil: nothing listens beyond this machine
	phones  Phones        // nil: nobody is told by push
	papers  Papers        // nil: none are made here
	copies  Copies        // nil: none leave the box but by download
	visits  Visits        // nil: none are taken in here
	curves  bool          // the curve library is in the binary
	places  chan struct{} // of open streams; bounded
	shown   chan struct{} // those of them that links which only show may take
	readers chan struct{} // of the journal, for Trace; bounded
	beat    time.Duration // the shortest time between two events of a stream
	ping    time.Duration
	order   []string      // the steps, in the usual order
	late    time.Duration // how long a reading is on its way here: nothing at the box itself

	assets    map[string]asset
	uploads   chan struct{} // places for photos that arrive
	shrinking chan struct{} // one place: a photo being made small
	languages []spoken      // English first
}

// New makes the screens' handler. It starts nothing.
func New(cfg Config, box Box, opts ...Option) http.Handler {
	return newScreens(cfg, box, opts...).handler()
}

func newScreens(cfg Config, box Box, opts ...Option) *screens {
	s := &screens{cfg: cfg, box: box, guesses: &guesses{}, log: slog.New(slog.DiscardHandler),
		places: make(chan struct{}, mostStreams), shown: make(chan struct{}, mostShown), uploads: make(chan struct{}, 3), shrinking: make(chan struct{}, 1), beat: 500 * time.Millisecond, ping: 15 * time.Second, order: rules.StepNames(),
		readers: make(chan struct{}, mostReaders)}
	for _, o := range opts {
		o(s)
	}
	files, _ := fs.Sub(assetFiles, "assets") // the name is constant
	var err error
	if s.assets == nil {
		s.assets, err = readAssets(files)
	}
	if err == nil && s.languages == nil {
		s.languages, err = readLanguages(wordFiles)
	}
	if err != nil {
		panic(err) // they are part of the binary: a fault there is one of the build
	}
	_, s.curves = s.assets["vendor/uPlot.iife.min.js"]
	for i, x := range s.languages {
		if x.pages == nil {
			s.languages[i].pages = parsePages(x.words, s.assets)
		}
	}
	s.words, s.pages = s.languages[0].words, s.languages[0].pages
	return s
}

func (s *screens) handler() http.Handler { return packing(s.inEach()) }

// routes mounts every page; who may see or do what stands in needs.
func (s *screens) routes() *routes {
	mux := &routes{ServeMux: http.NewServeMux(), s: s}
	mux.HandleFunc("GET /{$}", s.page("now"))
	mux.HandleFunc("GET /points", s.page("points"))
	mux.HandleFunc("GET /points/{point}", s.page("point"))
	mux.HandleFunc("GET /points/{point}/against", s.page("against"))
	mux.HandleFunc("POST /points/{point}/against", s.postAgainst)
	mux.HandleFunc("GET /steps", s.page("steps"))
	mux.HandleFunc("GET /steps/{step}", s.page("step"))
	mux.HandleFunc("GET /flags", s.page("flags"))
	mux.HandleFunc("GET /ledger", s.page("ledger"))
	mux.HandleFunc("GET /branches", s.page("branches"))
	mux.HandleFunc("GET /box", s.page("box"))
	mux.HandleFunc("GET /more", s.morePage)
	mux.HandleFunc("GET /mark/{mark}", s.markPage)
	mux.HandleFunc("GET /takeoff", s.takeoffPage)
	mux.HandleFunc("POST /takeoff", s.postTakeoff)
	mux.HandleFunc("GET /import", s.importPage)
	mux.HandleFunc("POST /import", s.postImport)
	mux.HandleFunc("GET /sheet", s.sheetPage)
	mux.HandleFunc("POST /sheet", s.postSheetEntry)
	mux.HandleFunc("GET /typed", s.typedPage)
	mux.HandleFunc("POST /typed", s.postTyped)
	mux.HandleFunc("GET /checks", s.checksPage)
	mux.HandleFunc("GET /checks/{check}", s.checkPage)
	mux.HandleFunc("POST /checks", s.postCheck)
	mux.HandleFunc("GET /photos/{photo}", s.photo)
	mux.HandleFunc("GET /record", s.recordPage)
	mux.HandleFunc("GET /record/papers/{paper}", s.paper)
	mux.HandleFunc("GET /record/job", s.jobPage)
	mux.HandleFunc("POST /record/job", s.postJob)
	mux.HandleFunc("POST /record/signed", s.postSigned)
	mux.HandleFunc("POST /record/copied", s.postCopied)
	mux.HandleFunc("POST /record/download", s.postDownload)
	mux.HandleFunc("POST /record/mail", s.postMail)
	mux.HandleFunc("POST /record/mail/back", s.postTakeBack)
	mux.HandleFunc("POST /record/stick", s.postStick)
	mux.HandleFunc("GET /earlier", s.earlierPage)
	mux.HandleFunc("POST /earlier", s.postVisit)
	mux.HandleFunc("POST /earlier/take", s.postTakeVisit)
	mux.HandleFunc("GET /confirm", s.confirmPage)
	mux.HandleFunc("POST /marks", s.postMark)
	mux.HandleFunc("POST /commands", s.postCommands)
	mux.HandleFunc("GET /flags/ack", s.ackPage)
	mux.HandleFunc("POST /flags/ack", s.postAck)
	mux.HandleFunc("GET /watch", s.watchPage)
	mux.HandleFunc("POST /watch", s.postWatch)
	mux.HandleFunc("POST /watch/test", s.postTryPath)
	mux.HandleFunc("POST /units", s.postUnits)
	mux.HandleFunc("GET /curve", s.curve)
	mux.HandleFunc("GET /trace", s.tracePage)
	mux.HandleFunc("GET /trace/data", s.traceFigures)
	mux.HandleFunc("GET /trace/outlines", s.traceOutlines)
	mux.HandleFunc("GET /stream", s.stream)
	mux.HandleFunc("GET /assets/{name...}", s.asset)
	if s.metrics != nil {
		mux.Handle("GET /metrics", s.metrics)
	}
	s.accessRoutes(mux)
	s.phoneRoutes(mux)
	mux.HandleFunc("/", s.lost)
	return mux
}

const (
	mostBody    = 16 << 10 // of a form
	mostStreams = 64       // open pages
	mostShown   = 48       // of them by links that only show
	mostReaders = 2        // long readings of the journal at once: many pages must not slow the box
	policy      = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; worker-src 'self'; manifest-src 'self'; " +
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

// guard keeps out other sites' pages (a name that resolves here, a form posted
// from elsewhere) and tells the browser what a page of ours may do.
func (s *screens) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	if u, err := parseOrigin(s.cfg.PublicURL); err == nil {
		_ = cross.AddTrustedOrigin(u.Scheme + "://" + u.Host) // parseOrigin has checked it
	}
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, r, http.StatusForbidden, "refused.origin")
	}))
	inner := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if r.TLS != nil && s.cfg.Certificate != "" {
			h.Set("Strict-Transport-Security", "max-age=31536000") // with the box's own certificate it would shut people out
		}
		if !s.knownHost(r) {
			http.Error(w, s.words.say("refused.host"), http.StatusMisdirectedRequest)
			return
		}
		if r.Body != nil {
			r.Body = http.MaxBytesReader(w, r.Body, mostBodyOf(r))
		}
		r, done, err := s.identify(r)
		defer done()
		if err != nil {
			s.log.Error("who is logged in could not be read", "error", err)
			http.Error(w, s.words.say("refused.broken"), http.StatusServiceUnavailable)
			return
		}
		defer s.caught(w, r)
		inner.ServeHTTP(w, r)
	})
}

// caught makes of a fault in a page of ours a sentence on the page and one in the
// log, where it would end in a connection that is cut without a word.
func (s *screens) caught(w http.ResponseWriter, r *http.Request) {
	switch fault := recover(); fault {
	case nil:
	case http.ErrAbortHandler:
		panic(fault)
	default:
		s.log.Error("a page could not be made", "page", r.URL.Path, "error", fault, "at", string(debug.Stack()))
		http.Error(w, s.words.say("refused.broken"), http.StatusInternalServerError)
	}
}

// mostBodyOf is how large a form may be: small, but for photos and lists.
func mostBodyOf(r *http.Request) int64 {
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
		switch r.URL.Path {
		case "/checks":
			return mostPhotoBody
		case "/import":
			return mostListBody
		}
	}
	if r.URL.Path == "/earlier" && r.Method == http.MethodPost {
		return mostBundleBody
	}
	return mostBody
}

// server gives nobody time to hold a connection for nothing.
func server(ctx context.Context, h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second, // a stream has its own limits
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
		BaseContext:       func(net.Listener) context.Context { return ctx },
	}
}

// Serve answers on ln until ctx ends; open streams end with it. It refuses a
// listener beyond this machine: there Door serves, by TLS.
func Serve(ctx context.Context, ln net.Listener, h http.Handler, log *slog.Logger) error {
	if a, err := netip.ParseAddrPort(ln.Addr().String()); err != nil || !a.Addr().Unmap().IsLoopback() {
		_ = ln.Close()
		return fmt.Errorf("%s lies beyond this machine: pages are not served there in the clear", ln.Addr())
	}
	return serve(ctx, server(ctx, h, log), ln)
}

// ServeTLS answers on ln by TLS until ctx ends; open streams end with it.
func ServeTLS(ctx context.Context, ln net.Listener, c *tls.Config, h http.Handler, log *slog.Logger) error {
	srv := server(ctx, h, log)
	srv.TLSConfig = c
	return serve(ctx, srv, ln)
}

// serve answers until ctx ends; by TLS where the server has a certificate.
func serve(ctx context.Context, srv *http.Server, ln net.Listener) error {
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(stopped)
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer cancel()
		if srv.Shutdown(last) != nil {
			_ = srv.Close()
		}
	})
	var err error
	if srv.TLSConfig != nil {
		err = srv.ServeTLS(ln, "", "")
	} else {
		err = srv.Serve(ln)
	}
	if stop() { // it ended by itself
		return err
	}
	<-stopped
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

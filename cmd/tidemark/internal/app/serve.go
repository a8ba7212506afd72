package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"tidemark/alert/answer"
	"tidemark/web"
	"tidemark/web/access"
	"tidemark/web/metrics"
)

// stopWithin bounds how long open requests may hold up the end.
const stopWithin = 1500 * time.Millisecond

// server is the page's HTTP server.
type server struct {
	page   *web.Server
	window *access.Window // for setting up; nil: closed from the start
	http   *http.Server
	ln     net.Listener
	done   sync.WaitGroup
}

// newServer builds the page and opens its address.
func (a *App) newServer(ctx context.Context, address string) (*server, error) {
	address, window, err := a.allowedAddress(ctx, address)
	if err != nil {
		return nil, err
	}
	ln, err := listen(address)
	if err != nil {
		return nil, err
	}
	o, err := a.WebOptions()
	o.Window = window
	if err != nil {
		return nil, errors.Join(err, ln.Close())
	}
	page, err := web.New(o)
	if err != nil && o.Settings != nil {
		// A damaged history must not take the page away: it is then served
		// without past rises, and to this machine alone.
		a.log.Error("the page is served without what was kept", "error", err)
		o.Settings, o.History, o.Upkeep = nil, nil, nil
		page, err = web.New(o)
	}
	if err != nil {
		return nil, errors.Join(err, ln.Close())
	}
	mux := http.NewServeMux()
	mux.Handle("/", page)
	mux.Handle(answer.Path, page.Behind(answer.Handler(a.answers, a.pressed))) // past the login: each button carries its own proof
	srv := web.NewHTTPServer(mux, a.log)
	return &server{page: page, window: window, http: srv, ln: ln}, nil
}

// allowedAddress keeps the page on this machine until the household has set a
// passphrase, but for the window in which it can be set from the home network.
func (a *App) allowedAddress(ctx context.Context, address string) (string, *access.Window, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return "", nil, fmt.Errorf("%q is not an address with a port: %w; write it like 127.0.0.1:8080", address, err)
	}
	if ip := net.ParseIP(host); host == "localhost" || (ip != nil && ip.IsLoopback()) {
		return address, nil, nil
	}
	if a.opt.Store != nil {
		set, err := access.HasPassphrase(ctx, a.opt.Store.Settings())
		if err != nil {
			a.log.Error("whether a passphrase is set cannot be read", "error", err)
		}
		if set {
			return address, nil, nil
		}
	}
	if a.opt.Live && a.opt.Store != nil {
		if w := openWindow(a.opt.Config.StateDir, a.log); w != nil {
			return address, w, nil
		}
	}
	a.log.Warn("no passphrase is set, so the page is served to this machine alone; set one on its page under Settings, or run tidemark setup", "asked", address)
	return net.JoinHostPort("127.0.0.1", port), nil, nil
}

// listen opens an address and says what to do when it is taken.
func listen(address string) (net.Listener, error) {
	ln, err := net.Listen("tcp", address)
	if errors.Is(err, syscall.EADDRINUSE) {
		_, port, _ := net.SplitHostPort(address)
		return nil, fmt.Errorf("port %s is taken by another program; end it or choose another port (demo: --port, run: web.listen in the configuration)", port)
	}
	if err != nil {
		return nil, fmt.Errorf("the page cannot be served at %s: %w", address, err)
	}
	return ln, nil
}

// WebOptions returns what the page is made of.
func (a *App) WebOptions() (web.Options, error) {
	w := a.opt.Config.Web
	o := web.Options{
		Live: a, Locale: LocaleOf(a.opt.Config),
		Planner: a, Demo: a.opt.Demo, Log: a.log, Now: a.opt.Clock.Now, Hosts: w.Hosts, OpenReading: w.OpenReading,
		Secure: w.Secure(),
	}
	if a.opt.Demo {
		o.Again = func() { time.AfterFunc(300*time.Millisecond, a.requestRestart) } // once the answer is on its way
	}
	if a.opt.Live {
		o.Level, o.Setup = a, a.setup
	}
	if a.opt.Store != nil {
		o.History, o.Settings = a.opt.Store, a.opt.Store.Settings()
		o.Upkeep, o.UploadDir = a, filepath.Dir(a.opt.Store.Path())
	}
	m, err := metrics.New(a, metrics.Options{Process: true, Log: a.log})
	if err != nil {
		return o, err
	}
	if w.MetricsListen == "" {
		o.Metrics = m
	} else {
		a.metrics = m
	}
	return o, nil
}

// serveMetrics serves the metrics at an address of their own, if one is
// configured.
func (a *App) serveMetrics() error {
	address := a.opt.Config.Web.MetricsListen
	if address == "" || a.metrics == nil {
		return nil
	}
	ln, err := listen(address)
	if err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", a.metrics)
	srv := web.NewHTTPServer(mux, a.log)
	a.metricsServer = &server{http: srv, ln: ln}
	a.metricsServer.serve(nil, a.failed)
	return nil
}

// serve answers requests until stop, over TLS unless that is nil; failed gets what ends it early.
func (s *server) serve(over *tls.Config, failed chan<- error) {
	s.done.Go(func() {
		var err error
		if s.http.TLSConfig = over; over != nil {
			err = s.http.ServeTLS(s.ln, "", "")
		} else {
			err = s.http.Serve(s.ln)
		}
		if !errors.Is(err, http.ErrServerClosed) {
			select {
			case failed <- fmt.Errorf("the page ended: %w", err):
			default:
			}
		}
	})
}

// stop ends the server; requests that do not end are cut off.
func (s *server) stop(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, stopWithin)
	defer cancel()
	var pageErr error
	if s.page != nil {
		pageErr = s.page.Close()
	}
	err := s.http.Shutdown(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		err = s.http.Close()
	}
	s.done.Wait()
	return errors.Join(pageErr, err)
}

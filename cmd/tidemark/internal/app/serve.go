package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"syscall"
	"time"

	"tidemark/web"
	"tidemark/web/say"
)

// stopWithin bounds how long open requests may hold up the end.
const stopWithin = 1500 * time.Millisecond

// server is the page's HTTP server.
type server struct {
	page *web.Server
	http *http.Server
	ln   net.Listener
	done sync.WaitGroup
}

// newServer builds the page and opens its address.
func (a *App) newServer(address string) (*server, error) {
	ln, err := listen(address)
	if err != nil {
		return nil, err
	}
	page, err := web.New(a.webOptions())
	if err != nil {
		ln.Close()
		return nil, err
	}
	return &server{page: page, http: web.NewHTTPServer(page, a.log), ln: ln}, nil
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

// webOptions hands the page what it shows.
func (a *App) webOptions() web.Options {
	h, w := a.opt.Config.Household, a.opt.Config.Web
	o := web.Options{
		Live: a, House: say.House{Zone: h.Zone, Clock12: h.TwelveHour, Fahrenheit: h.Fahrenheit},
		Demo: a.opt.Demo, Log: a.log, Now: a.opt.Clock.Now, Hosts: w.Hosts, OpenReading: w.OpenReading,
		Secure: w.TLSCert != "",
	}
	if a.opt.Store != nil {
		o.History, o.Settings = a.opt.Store, a.opt.Store.Settings()
	}
	return o
}

// serve answers requests until stop; failed gets what ends it early.
func (s *server) serve(cert, key string, failed chan<- error) {
	s.done.Go(func() {
		var err error
		if cert != "" {
			err = s.http.ServeTLS(s.ln, cert, key)
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
	s.page.Close()
	err := s.http.Shutdown(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		err = s.http.Close()
	}
	s.done.Wait()
	return err
}

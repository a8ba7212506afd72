package app

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"tidemark/alert/answer"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/web"
	"tidemark/web/access"
	"tidemark/web/metrics"
)

// stopWithin bounds how long open requests may hold up the end.
const stopWithin = 1500 * time.Millisecond

// openPage opens the page, and the metrics where they have an address of their own.
func (a *App) openPage(ctx context.Context) error {
	conf := a.opt.Config.Web
	over, err := a.certificate(conf)
	if err != nil {
		return err
	}
	address, window, err := a.allowedAddress(ctx, a.opt.Listen)
	if err != nil {
		return err
	}
	o, err := a.WebOptions()
	if err != nil {
		return err
	}
	metrics := o.Metrics
	if o.Window = window; conf.MetricsListen != "" {
		o.Metrics = nil
	}
	a.page, err = web.New(o)
	if err != nil && o.Settings != nil {
		// A damaged history must not take the page away: it is then served
		// without past rises, and to this machine alone.
		a.log.Error("the page is served without what was kept", "error", err)
		o.Settings, o.History, o.Upkeep = nil, nil, nil
		a.page, err = web.New(o)
	}
	if err != nil {
		return err
	}
	page := http.NewServeMux()
	page.Handle("/", a.page)
	page.Handle(answer.Path, a.page.Behind(answer.Handler(a.answers, a.pressed))) // past the login: each button carries its own proof
	if err := a.serve(address, page, over); err != nil {
		return err
	}
	if a.window = window; a.opt.Live && !conf.LocalOnly() {
		x := windowWatch{a.opt.Config.StateDir, a.opt.Store.Settings(), window, a.requestRestart, a.log}
		a.work.Go(func() { x.run(ctx) })
	}
	if conf.MetricsListen == "" {
		return nil
	}
	alone := http.NewServeMux()
	alone.Handle("GET /metrics", metrics)
	return a.serve(conf.MetricsListen, alone, nil)
}

// serve opens an address and answers there until stopServing, over TLS unless that is nil.
func (a *App) serve(address string, h http.Handler, over *tls.Config) error {
	ln, err := listen(address)
	if err != nil {
		return err
	}
	srv := web.NewHTTPServer(h, a.log)
	srv.TLSConfig = over
	a.listeners, a.servers = append(a.listeners, ln), append(a.servers, srv)
	a.work.Go(func() {
		var err error
		if over != nil {
			err = srv.ServeTLS(ln, "", "")
		} else {
			err = srv.Serve(ln)
		}
		if !errors.Is(err, http.ErrServerClosed) {
			select {
			case a.failed <- fmt.Errorf("the page ended: %w", err):
			default:
			}
		}
	})
	return nil
}

// stopServing ends page and metrics; requests that do not end are cut off.
func (a *App) stopServing(ctx context.Context) (err error) {
	ctx, cancel := context.WithTimeout(ctx, stopWithin)
	defer cancel()
	if a.page != nil {
		err = a.page.Close()
	}
	for _, srv := range a.servers {
		gone := srv.Shutdown(ctx)
		if errors.Is(gone, context.DeadlineExceeded) {
			gone = srv.Close()
		}
		err = errors.Join(err, gone)
	}
	return err
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
	set, err := access.HasPassphrase(ctx, a.opt.Store.Settings())
	if err != nil {
		a.log.Error("whether a passphrase is set cannot be read", "error", err)
	}
	if set {
		return address, nil, nil
	}
	if a.opt.Live {
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
		Live: a, Locale: LocaleOf(a.opt.Config), History: a.opt.Store, Settings: a.opt.Store.Settings(), Upkeep: a, UploadDir: filepath.Dir(a.opt.Store.Path()),
		Planner: a, Demo: a.opt.Demo, Log: a.log, Now: a.opt.Clock.Now, Hosts: w.Hosts, OpenReading: w.OpenReading,
		Secure: w.Secure(),
	}
	if a.opt.Demo {
		o.Again = func() { time.AfterFunc(300*time.Millisecond, a.requestRestart) } // once the answer is on its way
	}
	if a.opt.Live {
		o.Level, o.Setup = a, a.setup
	}
	m, err := metrics.New(a, metrics.Options{Process: true, Log: a.log})
	o.Metrics = m
	return o, err
}

// A certificate of one's own is made for certificateSpan, as long as phones take at
// most (825 days, from memory), and anew when less than certificateRest is left.
const (
	certificateSpan = 820 * 24 * time.Hour
	certificateRest = 30 * 24 * time.Hour
)

// certificate returns what the page is served over TLS with: the files configured, a
// certificate of its own, made on the first use and kept in the state folder, or nil for
// plain HTTP.
func (a *App) certificate(w config.Web) (*tls.Config, error) {
	switch {
	case w.TLSCert != "":
		c, err := tls.LoadX509KeyPair(w.TLSCert, w.TLSKey)
		if err != nil {
			return nil, fmt.Errorf("web.tls_cert and web.tls_key: %w", err)
		}
		return &tls.Config{Certificates: []tls.Certificate{c}}, nil
	case w.TLS == "":
		return nil, nil
	}
	host, err := os.Hostname()
	if err != nil {
		return nil, fmt.Errorf("the page's certificate needs this machine's name: %w", err)
	}
	names, now := append([]string{host, host + ".local", "localhost"}, w.Hosts...), a.opt.Clock.Now()
	file := filepath.Join(a.opt.Config.StateDir, "page.pem")
	own, err := tls.LoadX509KeyPair(file, file)
	if err != nil || !serves(own.Leaf, names, now) {
		made, err := makeCertificate(names, now)
		if err != nil {
			return nil, fmt.Errorf("the page's certificate cannot be made: %w", err)
		}
		if own, err = tls.X509KeyPair(made, made); err != nil {
			return nil, err
		}
		if err := os.WriteFile(file, made, 0o600); err != nil {
			a.log.Error("the page's new certificate cannot be kept; the next start makes another one", "error", err)
		}
	}
	a.log.Info("the page is served with a certificate of its own; a browser asks once whether to trust it, compare", "sha256", fmt.Sprintf("% X", sha256.Sum256(own.Leaf.Raw)))
	return &tls.Config{Certificates: []tls.Certificate{own}}, nil
}

// serves reports whether a certificate still stands for all names.
func serves(c *x509.Certificate, names []string, now time.Time) bool {
	return c != nil && now.After(c.NotBefore) && now.Add(certificateRest).Before(c.NotAfter) &&
		!slices.ContainsFunc(names, func(name string) bool { return c.VerifyHostname(name) != nil })
}

// makeCertificate returns a certificate that vouches for itself and for nobody else, for
// the names and this machine's addresses, and its key, as PEM.
func makeCertificate(names []string, now time.Time) ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, err
	}
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "tidemark on " + names[0]},
		NotBefore: now.Add(-24 * time.Hour), NotAfter: now.Add(certificateSpan),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	for _, name := range names {
		if ip := net.ParseIP(name); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, name)
		}
	}
	addrs, _ := net.InterfaceAddrs() // the names do without
	for _, x := range addrs {
		if ip, ok := x.(*net.IPNet); ok && ip.IP.IsGlobalUnicast() {
			c.IPAddresses = append(c.IPAddresses, ip.IP)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		return nil, err
	}
	sec, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: sec})...), nil
}

// windowMinutes is how long, in all, a machine may be set up from the home network.
const windowMinutes = 30

// windowFile holds, in the state directory, the code and the minutes that are left. A
// minute is taken off before it begins and by the steady clock, so that neither a
// clock that is set nor a machine that starts again and again makes it longer.
func windowFile(stateDir string) string { return filepath.Join(stateDir, "setup-code") }

// ReopenWindow lets a machine be set up from the home network for the whole time again,
// with the code that it has or, when its time was over, a fresh one. A service that runs
// notices within seconds.
func ReopenWindow(stateDir string) (*access.Window, error) {
	code, left, err := readWindow(stateDir)
	if err != nil || left <= 0 {
		code = access.NewCode()
	}
	if err := keepWindow(stateDir, code, windowMinutes); err != nil {
		return nil, err
	}
	return access.NewWindow(code), nil
}

// keepWindow writes the file in one step.
func keepWindow(stateDir, code string, minutes int) error {
	file := windowFile(stateDir)
	if err := os.WriteFile(file+".new", fmt.Appendf(nil, "code %s\nminutes %d\n", code, minutes), 0o600); err != nil {
		return fmt.Errorf("the code for setting up cannot be kept: %w", err)
	}
	return os.Rename(file+".new", file)
}

// readWindow reads the file; a machine that never had one has all its minutes.
func readWindow(stateDir string) (code string, minutes int, err error) {
	text, err := os.ReadFile(windowFile(stateDir))
	if errors.Is(err, fs.ErrNotExist) {
		return access.NewCode(), windowMinutes, nil
	}
	if err != nil {
		return "", 0, err
	}
	if _, err := fmt.Sscanf(strings.TrimSpace(string(text)), "code %s\nminutes %d", &code, &minutes); err != nil || len(code) < 8 {
		return "", 0, nil // damaged: closed is the safe side
	}
	return code, min(minutes, windowMinutes), nil
}

// openWindow returns the window for setting up from the home network, or nil when its
// time is over or cannot be kept.
func openWindow(dir string, log *slog.Logger) *access.Window {
	code, left, err := readWindow(dir)
	if err == nil && left > 0 {
		err = keepWindow(dir, code, left-1)
	}
	if err != nil {
		log.Error("setting up from the home network stays closed", "error", err)
		return nil
	}
	if left <= 0 {
		return nil
	}
	return access.NewWindow(code)
}

// windowLooks is how often the window is looked at.
const windowLooks = 2 * time.Second

// windowWatch counts the minutes of a window.
type windowWatch struct {
	dir      string // state directory
	settings access.Settings
	window   *access.Window // nil while none is open
	restart  func()         // begins the watch anew, at the address that is right then
	log      *slog.Logger
}

// run closes the window after its last minute, or when a passphrase is set; without one
// it waits for tidemark setup to open it again. It returns when nothing is left to do.
func (x windowWatch) run(ctx context.Context) {
	if x.passphrase(ctx) {
		return // the page is open to the house
	}
	tick := time.NewTicker(windowLooks)
	defer tick.Stop()
	for minute := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		passed := time.Since(minute) >= time.Minute
		if passed {
			minute = minute.Add(time.Minute)
		}
		over, restart := x.look(ctx, passed)
		if over && x.window != nil {
			x.window.Close()
		}
		if restart {
			x.restart()
		}
		if over {
			return
		}
	}
}

// look reports whether the window is over or another one opened, and whether the
// address changes with that. passed tells that a minute went by, which is written down:
// a time that cannot be kept is over.
func (x windowWatch) look(ctx context.Context, passed bool) (over, restart bool) {
	code, left, err := readWindow(x.dir)
	set := x.passphrase(ctx)
	if x.window == nil { // to the house, or opened again
		over = set || err == nil && left > 0
		return over, over
	}
	other := err != nil || code != codeOf(x.window)
	over = set || other || passed && left <= 0
	switch {
	case over && !other:
		err = keepWindow(x.dir, noCode, 0)
	case passed && !over:
		err = keepWindow(x.dir, code, left-1)
	default:
		return over, over && !set
	}
	if err != nil {
		x.log.Error("the time for setting up cannot be kept, so it is over", "error", err)
	}
	return over || err != nil, (over || err != nil) && !set // back to this machine alone, unless the house is let in
}

// passphrase reports whether one is set; what cannot be read is asked again.
func (x windowWatch) passphrase(ctx context.Context) bool {
	set, err := access.HasPassphrase(ctx, x.settings)
	return err == nil && set
}

// noCode stands where there is none any more.
const noCode = "--------"

// codeOf is a window's code without the dash.
func codeOf(w *access.Window) string { return strings.ReplaceAll(w.Code(), "-", "") }

// SetupNote says how to set this machine up from another; empty when it cannot be.
func (a *App) SetupNote() string {
	if !a.window.Open() {
		return ""
	}
	return fmt.Sprintf("not set up yet. For %d minutes open %s on a phone or computer in the house and type the code %s",
		windowMinutes, strings.Join(a.addresses(), " or "), a.window.Code())
}

package source

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"sync"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewirereg"
	"periph.io/x/devices/v3/pca9548"
	"periph.io/x/host/v3"

	"tidemark/sensor"
)

// Buses keeps the buses open that several chips share, and finds lines. Its fields may
// be replaced before first use, for tests.
type Buses struct {
	OpenI2C     func(number string) (i2c.BusCloser, error)
	openOneWire func(name string) (onewire.BusCloser, error)
	pin         func(name string) (gpio.PinOut, error)
	openLines   func(device string, trigger, echo int) (lines, error)
	openPort    func(device string, baud int) (port, error)

	mu   sync.Mutex
	held map[string]io.Closer // by kind and name
}

// NewBuses returns the machine's own buses.
func NewBuses() *Buses {
	return &Buses{OpenI2C: openI2C, openOneWire: openOneWire, pin: openPin, openLines: openLines, openPort: openPort, held: map[string]io.Closer{}}
}

// openI2C opens an I2C bus of the machine.
func openI2C(number string) (i2c.BusCloser, error) {
	if _, err := host.Init(); err != nil {
		return nil, sensor.Fault(sensor.Missing, "buses", "error", err)
	}
	bus, err := i2creg.Open(strings.TrimPrefix(number, "/dev/i2c-"))
	if err == nil {
		return bus, nil
	}
	switch text := err.Error(); { // the library's errors have no kind
	case strings.Contains(text, "permission"):
		return nil, fileFault("I2C "+number, "i2c", fs.ErrPermission)
	case strings.Contains(text, "no bus found"), strings.Contains(text, "can't open unknown bus"):
		return nil, sensor.Fault(sensor.Missing, "i2c.gone", "bus", number)
	}
	return nil, sensor.Fault(sensor.Missing, "i2c.other", "bus", number, "error", err)
}

// openOneWire opens a 1-wire bus of the machine.
func openOneWire(name string) (bus onewire.BusCloser, err error) {
	if _, err = host.Init(); err == nil {
		bus, err = onewirereg.Open(name)
	}
	if err != nil {
		return nil, sensor.Fault(sensor.Missing, "onewire.none", "bus", cmp.Or(name, "1-wire"), "error", err)
	}
	return bus, nil
}

// openPin finds a GPIO line of the machine.
func openPin(name string) (gpio.PinOut, error) {
	_, err := host.Init()
	if p := gpioreg.ByName(name); err == nil && p != nil {
		return p, nil
	}
	return nil, sensor.Fault(sensor.Missing, "gpio.gone", "line", name)
}

// shared returns what is held under a key, opened if it is not yet.
func shared[B io.Closer](h *Buses, key string, open func() (B, error)) (B, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if b, ok := h.held[key]; ok {
		return b.(B), nil
	}
	b, err := open()
	if err == nil {
		h.held[key] = b
	}
	return b, err
}

// bus returns the bus that a chip sits on.
func (h *Buses) bus(p sensor.I2C) (i2c.Bus, error) {
	number := cmp.Or(p.Bus, "1")
	parent, err := shared(h, "i2c "+number, func() (i2c.BusCloser, error) { return h.OpenI2C(number) })
	if err != nil || p.Mux == 0 {
		return parent, err
	}
	name := fmt.Sprintf("tidemark-%s-%02x-", number, p.Mux)
	m, err := shared(h, name, func() (*mux, error) { return newMux(parent, name, p.Mux) })
	if err != nil {
		return nil, err
	}
	// A multiplexer that lost its supply has forgotten its port, but its driver
	// believes that it is still set. An empty transfer on the next port makes the
	// driver choose ours again before it is used.
	if err := m.ports[(p.Port+1)%8].Tx(0, nil, nil); err != nil {
		return nil, muxFault(p.Mux, err)
	}
	return m.ports[p.Port], nil
}

// mux is a multiplexer with its ports as buses.
type mux struct {
	names []string // as registered
	ports [8]i2c.BusCloser
}

// newMux returns the multiplexer at an address.
func newMux(parent i2c.Bus, name string, addr int) (*mux, error) {
	dev, err := pca9548.New(parent, &pca9548.Opts{Addr: addr})
	if err != nil {
		return nil, muxFault(addr, err)
	}
	m := &mux{}
	m.names, err = dev.RegisterPorts(name)
	for i := 0; err == nil && i < len(m.ports); i++ {
		m.ports[i], err = i2creg.Open(fmt.Sprint(name, i))
	}
	if err != nil {
		return nil, sensor.Fault(sensor.ReadFailed, "mux.other", "address", hex(addr), "error", errors.Join(err, m.Close()))
	}
	return m, nil
}

// muxFault words a multiplexer that does not answer.
func muxFault(addr int, err error) error {
	return sensor.Fault(sensor.Missing, "mux.silent", "address", hex(addr), "error", err)
}

// Close takes the ports out of the registry.
func (m *mux) Close() error {
	var errs []error
	for _, name := range m.names {
		errs = append(errs, i2creg.Unregister(name))
	}
	return errors.Join(errs...)
}

// set sets a GPIO line.
func (h *Buses) set(line string, level gpio.Level) error {
	pin, err := h.pin(line)
	if err != nil {
		return err
	}
	if err := pin.Out(level); err != nil {
		return sensor.Fault(sensor.ReadFailed, "gpio.unset", "line", line, "error", err)
	}
	return nil
}

// Close closes every bus. Sensors on them must not be read any more.
func (h *Buses) Close() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	var errs []error
	for _, b := range h.held {
		errs = append(errs, b.Close())
	}
	clear(h.held)
	return errors.Join(errs...)
}

package chip

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
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

// Buses keeps the buses open that several chips share, and finds GPIO lines. Its
// fields may be replaced before first use, for tests.
type Buses struct {
	OpenI2C     func(number string) (i2c.BusCloser, error)
	OpenOneWire func(name string) (onewire.BusCloser, error)
	Pin         func(name string) (gpio.PinOut, error)

	mu    sync.Mutex
	i2c   map[string]i2c.BusCloser
	muxes map[string]*mux
	one   map[string]onewire.BusCloser
}

// mux is a multiplexer with its ports as buses.
type mux struct {
	names []string // as registered
	ports [8]i2c.BusCloser
}

// NewBuses returns the machine's own buses.
func NewBuses() *Buses {
	return &Buses{OpenI2C: openI2C, OpenOneWire: openOneWire, Pin: openPin,
		i2c: map[string]i2c.BusCloser{}, muxes: map[string]*mux{}, one: map[string]onewire.BusCloser{}}
}

// openI2C opens an I2C bus of the machine.
func openI2C(number string) (i2c.BusCloser, error) {
	_, err := host.Init()
	if err != nil {
		return nil, sensor.Fault(sensor.Missing, "buses", "error", err)
	}
	bus, err := i2creg.Open(strings.TrimPrefix(number, "/dev/i2c-"))
	if err == nil {
		return bus, nil
	}
	text := err.Error()
	switch {
	case errors.Is(err, fs.ErrPermission) || strings.Contains(text, "permission"):
		return nil, sensor.Fault(sensor.ReadFailed, "permission", "what", "I2C "+number, "group", "i2c")
	case strings.Contains(text, "no bus found") || strings.Contains(text, "can't open unknown bus"):
		return nil, sensor.Fault(sensor.Missing, "i2c.gone", "bus", number)
	default:
		return nil, sensor.Fault(sensor.Missing, "i2c.other", "bus", number, "error", err)
	}
}

// openOneWire opens a 1-wire bus of the machine.
func openOneWire(name string) (onewire.BusCloser, error) {
	_, err := host.Init()
	if err == nil {
		var bus onewire.BusCloser
		if bus, err = onewirereg.Open(name); err == nil {
			return bus, nil
		}
	}
	return nil, sensor.Fault(sensor.Missing, "onewire.none", "bus", name, "error", err)
}

// openPin finds a GPIO line of the machine.
func openPin(name string) (gpio.PinOut, error) {
	_, err := host.Init()
	if p := gpioreg.ByName(name); err == nil && p != nil {
		return p, nil
	}
	return nil, sensor.Fault(sensor.Missing, "gpio.gone", "line", name)
}

// bus returns the bus that a chip sits on.
func (h *Buses) bus(p sensor.I2C) (i2c.Bus, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	parent, err := h.parent(p.Bus)
	if err != nil || p.Mux == 0 {
		return parent, err
	}
	m, err := h.mux(parent, p.Bus, p.Mux)
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

// parent returns an I2C bus by number; h.mu is held.
func (h *Buses) parent(number string) (i2c.Bus, error) {
	number = cmp.Or(number, "1")
	if b, ok := h.i2c[number]; ok {
		return b, nil
	}
	b, err := h.OpenI2C(number)
	if err != nil {
		return nil, err
	}
	h.i2c[number] = b
	return b, nil
}

// muxFault words a multiplexer that does not answer.
func muxFault(addr int, err error) error {
	return sensor.Fault(sensor.Missing, "mux.silent", "address", hex(addr), "error", err)
}

// mux returns the multiplexer at addr; h.mu is held.
func (h *Buses) mux(parent i2c.Bus, number string, addr int) (*mux, error) {
	key := fmt.Sprintf("tidemark-%s-%02x-", cmp.Or(number, "1"), addr)
	if m, ok := h.muxes[key]; ok {
		return m, nil
	}
	dev, err := pca9548.New(parent, &pca9548.Opts{Addr: addr})
	if err != nil {
		return nil, muxFault(addr, err)
	}
	m := &mux{}
	m.names, err = dev.RegisterPorts(key)
	for i := 0; err == nil && i < len(m.ports); i++ {
		m.ports[i], err = i2creg.Open(key + strconv.Itoa(i))
	}
	if err != nil {
		return nil, errors.Join(sensor.Fault(sensor.ReadFailed, "mux.other", "address", hex(addr), "error", err), m.close())
	}
	h.muxes[key] = m
	return m, nil
}

// Line returns what sets a GPIO line, for a sensor.Driver whose supply it is.
func (h *Buses) Line(name string) func(high bool) error {
	return func(high bool) error { return h.set(name, gpio.Level(high)) }
}

// set sets a GPIO line.
func (h *Buses) set(line string, level gpio.Level) error {
	pin, err := h.Pin(line)
	if err != nil {
		return err
	}
	if err := pin.Out(level); err != nil {
		return sensor.Fault(sensor.ReadFailed, "gpio.unset", "line", line, "error", err)
	}
	return nil
}

// close takes the ports out of the registry.
func (m *mux) close() error {
	var errs []error
	for _, name := range m.names {
		errs = append(errs, i2creg.Unregister(name))
	}
	return errors.Join(errs...)
}

// oneWire returns a 1-wire bus by name.
func (h *Buses) oneWire(name string) (onewire.Bus, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if b, ok := h.one[name]; ok {
		return b, nil
	}
	b, err := h.OpenOneWire(name)
	if err != nil {
		return nil, err
	}
	h.one[name] = b
	return b, nil
}

// Close closes every bus. Chips on them must not be read any more.
func (h *Buses) Close() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	var errs []error
	for _, m := range h.muxes {
		errs = append(errs, m.close())
	}
	for _, b := range h.i2c {
		errs = append(errs, b.Close())
	}
	for _, b := range h.one {
		errs = append(errs, b.Close())
	}
	clear(h.i2c)
	clear(h.muxes)
	clear(h.one)
	return errors.Join(errs...)
}

package echo

import (
	"context"

	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// srf04Speed is the fixed speed of sound in m/s that the kernel's srf04 driver
// reckons with, and srf04StepMM the resolution that its author names.
const (
	srf04Speed  = 343.5
	srf04StepMM = 3
)

// SRF04 is an ultrasonic pair behind the kernel's srf04 driver, with a proper
// speed of sound.
type SRF04 struct {
	opt  Options
	file sensor.Source
}

// NewSRF04 corrects the distances of file, which must be the IIO source of an
// srf04.
func NewSRF04(file sensor.Source, opt Options) *SRF04 { return &SRF04{opt, file} }

// Close closes the file's source.
func (s *SRF04) Close() error { return s.file.Close() }

// Read sends a burst of pings through the kernel, which takes about 0.7 s.
func (s *SRF04) Read(ctx context.Context) sensor.Reading {
	return s.opt.burst(ctx, s.ping, betweenPings, srf04StepMM)
}

// ping reads the kernel's distance once and undoes its speed of sound.
func (s *SRF04) ping(ctx context.Context, air sound.Air) (float64, error) {
	r := s.file.Read(ctx)
	if r.Status == sensor.ReadFailed { // the driver says the same for both
		return 0, sensor.Faultf(r.Status, "no echo: nothing is in range, or the sensor does not answer (%s)", r.Reason)
	}
	if r.Status != sensor.OK {
		return 0, sensor.Faultf(r.Status, "%s", r.Reason)
	}
	return r.Value * air.SpeedMPS() / srf04Speed, nil
}

package kernel

import (
	"context"

	"tidemark/sensor"
	"tidemark/sensor/sound"
)

// srf04Speed is the fixed speed of sound in m/s that the kernel's srf04 driver
// uses (drivers/iio/proximity/srf04.c), and srf04StepMM the resolution that its
// author names.
const (
	srf04Speed  = 343.5
	srf04StepMM = 3
)

// SRF04 is an ultrasonic pair behind the kernel's srf04 driver, with a proper
// speed of sound.
type SRF04 struct {
	burst sound.Burst
	file  *IIO
}

// NewSRF04 reads a pair below root, where sysfs is mounted. air may be nil.
func NewSRF04(root string, conf sensor.SRF04, air sensor.Air, clock sensor.Clock) *SRF04 {
	of := sensor.IIO{Device: conf.Device}
	if of.Device == "" {
		of.Name = "srf04"
	}
	return &SRF04{
		burst: sound.Burst{Conf: conf.Sound, Limits: conf.Limits, Air: air, Clock: clock, StepMM: srf04StepMM, Gap: sound.BetweenPings},
		file:  NewIIO(root, sensor.Distance, of, clock),
	}
}

// Close does nothing: no file is held open.
func (s *SRF04) Close() error { return nil }

// Read sends a burst of pings through the kernel, which takes about 0.7 s.
func (s *SRF04) Read(ctx context.Context) sensor.Reading { return s.burst.Read(ctx, s.ping) }

// ping reads the kernel's distance once and undoes its speed of sound.
func (s *SRF04) ping(_ context.Context, air sound.Air) (float64, error) {
	mm, err := s.file.measure()
	if sensor.StatusOf(err) == sensor.ReadFailed { // the driver says the same for both
		return 0, sensor.Faultf(sensor.ReadFailed, "no echo: nothing is in range, or the sensor does not answer (%v)", err)
	}
	return mm * air.SpeedMPS() / srf04Speed, err
}

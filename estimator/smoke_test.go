package estimator

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"
)

func TestSmoke(t *testing.T) {
	seed, _ := strconv.Atoi(os.Getenv("SEED"))
	from, _ := strconv.ParseFloat(os.Getenv("FROM"), 64)
	to, _ := strconv.ParseFloat(os.Getenv("TO"), 64)
	s, kind := drawSim(uint64(seed))
	cfg := s.config()
	cfg.AutoStart = false
	e, _ := New(cfg)
	tr := s.grow()
	rng := rand.New(rand.NewPCG(s.seed, 99))
	fmt.Println(kind, s.every, s.noiseMM, s.stepMM)
	nb := 0.0
	cnt := [reasons]int{}
	for at := time.Duration(0); at.Hours() < to; at += s.every {
		smp := s.sample(&tr, at.Hours(), rng)
		for when, ev := range s.events {
			if when >= at && when < at+s.every {
				smp.Event = ev
				fmt.Println("event", ev, at.Hours())
			}
		}
		r := e.observe(smp)
		cnt[r]++
		h := at.Hours()
		if h > from && (e.rise.kfAt != nb || s.every == time.Minute) {
			nb = e.rise.kfAt
			fmt.Printf("%.3f true %.1f raw %.1f kf %.1f ±%.2f rate %.1f bR %.2f sd %.2f find %d pend %d %.1f off %.1f base %.1f uneasy %.1f counts %v\n", h, s.profile.Height(tr.v0*(1+tr.at(h)/100)), s.floorMM-smp.DistanceMM, e.rise.kf.level, e.rise.kf.p11, e.rise.kf.rate, e.rise.bucketR, e.noise.sd(), e.rise.find, e.rise.pend.n, e.rise.pend.level, e.rise.offsetMM, e.rise.base.first.level, e.rise.shift.uneasy, cnt)
			cnt = [reasons]int{}
		}
	}
}

// Command scale measures how tidemark grows with the number of vessels, and
// prints one table.
//
//	go run ./cmd/tidemark/scale                    the whole table, about an hour
//	go run ./cmd/tidemark/scale -short             1 to 100 vessels, a few minutes
//	go run ./cmd/tidemark/scale -inside 1000 -over ""
//
// Every line is a process of its own: the App of the daemon with its history on a
// real disk, every vessel in the middle of an invented rise that was taken up from
// the history, one reading a second for each. Fed inside, the readings are handed
// over within the process and the page is not served; fed over MQTT, a real broker
// runs beside, the daemon's own sources read it, and every vessel has a height and
// a dough temperature.
//
// Processor time is what the kernel counts for the process over a fixed window
// (proc(5), utime and stime), refits of the forecast and commits included; where
// one second of readings takes longer than a second the window lasts longer and
// the figure stays that of a second of readings. Memory is the resident set at
// the end of the window and the heap after a collection. What is written to the
// disk in a day is measured apart, see writes.go. Beside it, in the same run, two
// general collectors of Debian that watch nothing but the machine.
//
// It judges nothing: bounds and figures stand in DEVELOPERS.md.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	err := run(ctx)
	if err != nil {
		fmt.Fprintln(os.Stderr, "scale:", err)
		os.Exit(1)
	}
}

// plan is what is to be measured.
type plan struct {
	inside, mqtt, writes []int
	window, settle       time.Duration
	dir                  string
}

// run reads the command line and measures, or plays a measured process.
func run(ctx context.Context) error {
	if len(os.Args) > 1 && os.Args[1] == childArg {
		return playChild(ctx, os.Args[2:])
	}
	short := flag.Bool("short", false, "few vessels and short windows")
	inside := flag.String("inside", "1,10,100,1000,10000", "numbers of vessels, fed inside the process")
	over := flag.String("over", "1,10,100,1000", "numbers of vessels, fed over MQTT")
	writes := flag.String("writes", "1,10,100,1000,10000", "numbers of vessels whose writes of a day are measured")
	window := flag.Duration("window", 2*time.Minute, "how long a process is measured")
	dir := flag.String("dir", "/var/tmp", "folder on a real disk: a disk in memory counts no writes")
	flag.Parse()
	p := plan{window: *window, settle: time.Minute, dir: *dir}
	if *short {
		p.window, p.settle = 30*time.Second, 10*time.Second
		few := map[string]*string{"inside": inside, "over": over, "writes": writes}
		flag.Visit(func(f *flag.Flag) { delete(few, f.Name) })
		for _, list := range few {
			*list = "1,10,100"
		}
	}
	for _, l := range []struct {
		to   *[]int
		text string
	}{{&p.inside, *inside}, {&p.mqtt, *over}, {&p.writes, *writes}} {
		var err error
		if *l.to, err = numbers(l.text); err != nil {
			return err
		}
	}
	return p.measure(ctx)
}

// numbers reads "1,10,100".
func numbers(s string) ([]int, error) {
	var out []int
	for part := range strings.SplitSeq(s, ",") {
		if part == "" {
			continue
		}
		n, err := strconv.Atoi(part)
		if err != nil || n < 1 || n > 100000 {
			return nil, fmt.Errorf("%q is no number of vessels; expected 1 to 100000, with commas between", part)
		}
		out = append(out, n)
	}
	return out, nil
}

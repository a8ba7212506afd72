package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"time"

	"tidemark/alert"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/web"
)

// What the network row holds the letters to.
const (
	// reachedWithin is how long a way must be open for a letter to get through: a
	// lane that has failed rests for five minutes and a quarter, and other letters
	// go first.
	reachedWithin = 10 * time.Minute
	// calmAfter is how long the network stays well at the end of a day.
	calmAfter = 30 * time.Minute
	// nearIsNews and elseIsNews are how long a warning is worth its letter at least.
	nearIsNews = 2 * time.Hour
	elseIsNews = 3 * time.Hour
)

// badNetwork plays days on which the ways to the household fail for minutes to
// hours and in every way: refused, no answer, an error, busy, slow, an answer that
// gets lost. The watch goes on; a letter comes once and in the order of the
// warnings, unless it was answered or overtaken while no way was open.
func badNetwork(ctx context.Context, s setting) (result, error) {
	var r result
	dice := rand.New(rand.NewPCG(s.seed, 8))
	var sum posted
	for n := range s.pick(2, 60) {
		if err := r.networkDay(ctx, s, dice, n%3 == 0, &sum); err != nil {
			return r, err
		}
	}
	r.note = fmt.Sprintf("letters taken %d, of these again with the same ID after a lost answer %d; warnings late by the network %d, answered or over before a way was open %d",
		sum.letters, sum.again, sum.late, sum.overtaken)
	return r, nil
}

// posted is what a campaign counts of letters.
type posted struct{ letters, again, late, overtaken int }

// news is one warning as it was raised.
type news struct {
	alert.Alarm
	raised time.Time
	leader string // the alarm whose letter tells this one as well; empty for its own
	answer time.Time
}

// postDay is a day with ways to the household.
type postDay struct {
	*day
	out      *outside
	dice     *rand.Rand
	all      []*news
	answered map[string]time.Time
}

// ways are the names of the routes.
func ways() []string { return []string{"phone", "mail"} }

// networkDay plays one day, with a long spell in it or without.
func (r *result) networkDay(ctx context.Context, s setting, dice *rand.Rand, long bool, sum *posted) error {
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	p, err := openPostDay(ctx, dir, dice)
	if err != nil {
		return err
	}
	if long {
		p.out.spells = append([]spell{longSpell(p.story, dice)}, p.out.spells...)
	}
	err = p.run(ctx, p.story.Until)
	if err == nil {
		err = p.calm(ctx)
	}
	var left map[string]int
	if err == nil {
		left, err = p.store.LetterCounts(ctx)
	}
	if err = errors.Join(err, p.close(ctx)); err != nil {
		return err
	}
	r.trials++
	var got ledger
	if err := got.close(ctx, dir); err != nil {
		return err
	}
	if err := p.outcomes(ctx, dir); err != nil {
		return err
	}
	r.add(s.plain, got)
	if n := left[alert.LetterWaiting] + left[alert.LetterFailed]; n > 0 {
		r.missed += n
		r.say("%d letters wait or failed at the end: %v", n, left)
	}
	r.countArrivals(p, sum)
	for _, way := range ways() {
		r.countNews(p, way, sum)
	}
	return r.gaps(ctx, dir)
}

// openPostDay opens a day with its ways.
func openPostDay(ctx context.Context, dir string, dice *rand.Rand) (*postDay, error) {
	story := household(dayOf(0))
	p := &postDay{dice: dice, answered: map[string]time.Time{}, out: &outside{spells: drawSpells(story, dice, ways()), now: story.Start}}
	var routes []alert.Route
	for _, way := range ways() {
		routes = append(routes, alert.Route{Name: way, Pictures: way == "phone",
			Channel: &service{way, p.out, rand.New(rand.NewPCG(dice.Uint64(), 1))}})
	}
	clock := &handClock{}
	clock.Set(story.Start)
	var err error
	p.day, err = openDayOn(ctx, dir, story, clock, story.Start, 0, func(o *app.Options) { o.Routes = routes })
	if err != nil {
		return nil, err
	}
	p.raised = func(now time.Time, a alert.Alarm) {
		n := &news{Alarm: a, raised: now}
		if dice.IntN(2) == 0 {
			n.answer = now.Add(time.Duration(1+dice.IntN(40)) * time.Minute)
		}
		p.all = append(p.all, n)
	}
	p.before = func(now time.Time) error { return p.beforeStep(ctx, now) }
	p.after = func(now time.Time) error { return errors.Join(p.whoTells(ctx, now), p.tell(ctx)) }
	return p, nil
}

// beforeStep lets answers come back and people answer.
func (p *postDay) beforeStep(ctx context.Context, now time.Time) error {
	p.out.goOn(now)
	if err := p.settle(ctx); err != nil {
		return err
	}
	for _, n := range p.all {
		if n.answer.IsZero() || now.Before(n.answer) {
			continue
		}
		n.answer = time.Time{}
		err := p.app.Act(ctx, web.Act{Kind: web.ActAck, Vessel: n.Vessel, AlarmID: n.ID, By: "invented household"})
		var over web.Refusal
		if errors.As(err, &over) {
			continue // it is over
		}
		if err != nil {
			return err
		}
		p.answered[n.ID] = now
	}
	return nil
}

// whoTells notes whose letter tells the warnings of this step.
func (p *postDay) whoTells(ctx context.Context, now time.Time) error {
	fresh := map[string]*news{}
	for _, n := range p.all {
		if n.raised.Equal(now) {
			fresh[n.ID] = n
		}
	}
	if len(fresh) == 0 {
		return nil
	}
	alarms, err := p.store.OpenAlarms(ctx)
	for _, a := range alarms {
		if n := fresh[a.ID]; n != nil {
			n.leader = a.LedBy
		}
	}
	return err
}

// tell does what the live watch does beside, and waits until every delivery has
// ended or waits for an answer that comes later.
func (p *postDay) tell(ctx context.Context) error {
	return errors.Join(p.app.TellOnce(ctx), p.settle(ctx))
}

// settle waits, a moment of the machine's time, until no delivery is at work.
func (p *postDay) settle(ctx context.Context) error {
	for p.app.Telling() > p.out.waiting() {
		if err := ctx.Err(); err != nil {
			return err
		}
		time.Sleep(20 * time.Microsecond)
	}
	return nil
}

// calm lets what is left be delivered after the day.
func (p *postDay) calm(ctx context.Context) error {
	for end := p.now.Add(calmAfter); p.now.Before(end); {
		p.now = p.now.Add(stepEvery)
		p.clock.Set(p.now)
		if err := errors.Join(p.beforeStep(ctx, p.now), p.tell(ctx)); err != nil {
			return err
		}
	}
	return nil
}

// outcomes reads how every warning ended.
func (p *postDay) outcomes(ctx context.Context, dir string) error {
	s, rises, err := openRises(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { _ = s.Close(ctx) }()
	for _, rise := range rises {
		alarms, err := s.Alarms(ctx, rise.ID)
		if err != nil {
			return err
		}
		for _, a := range alarms {
			for _, n := range p.all {
				if n.ID == a.ID {
					n.Alarm = a
				}
			}
		}
	}
	return nil
}

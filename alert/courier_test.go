package alert

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"dewline/rules/alarm"
)

// sender is a channel made of a function.
type sender func(context.Context, Delivery) error

func (f sender) Send(ctx context.Context, d Delivery) error { return f(ctx, d) }

func wakeDelivery(channel string, i int) Delivery {
	return Delivery{ID: fmt.Sprintf("n%d|una|%s", i, channel), NoticeID: fmt.Sprintf("n%d", i), Channel: channel,
		Priority: alarm.Wake, Kind: Raise, Version: 1, Attempt: uint64(i + 1)}
}

// A mail server that hangs delays no other channel by anything.
func TestCourier_hangingChannelDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		results := make(chan SendResult, 100)
		c := NewCourier(map[string]Channel{
			"mail": sender(func(ctx context.Context, _ Delivery) error { <-ctx.Done(); return ctx.Err() }),
			"mqtt": sender(func(context.Context, Delivery) error { time.Sleep(2 * time.Millisecond); return nil }),
		}, 20*time.Second, func(r SendResult) { results <- r }, nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { c.Run(ctx); close(done) }()
		for i := range 20 {
			c.Submit(wakeDelivery("mail", i), wakeDelivery("mqtt", i))
		}
		for range 20 {
			if r := <-results; r.Err != nil {
				t.Errorf("first results: %+v", r)
			}
		}
		if took := time.Since(began); took != 40*time.Millisecond {
			t.Errorf("20 notices over mqtt took %v beside a hanging mail server", took)
		}
		r := <-results
		if !errors.Is(r.Err, context.DeadlineExceeded) || time.Since(began) != 20*time.Second {
			t.Errorf("mail: %v after %v", r.Err, time.Since(began))
		}
		cancel()
		<-done
	})
}

func TestCourier_urgentFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var order []string
		c := NewCourier(map[string]Channel{"mqtt": sender(func(_ context.Context, d Delivery) error {
			order = append(order, d.NoticeID)
			return nil
		})}, 0, func(SendResult) {}, nil)
		d := func(id string, p alarm.Priority, k Kind, lethal bool, sent int) Delivery {
			return Delivery{ID: id, NoticeID: id, Channel: "mqtt", Priority: p, Kind: k, Lethal: lethal, Again: sent > 1}
		}
		c.Submit(d("today", alarm.Today, Raise, false, 1), d("repeat", alarm.Wake, Raise, false, 3), d("over", alarm.Wake, FollowUp, false, 2),
			d("wake", alarm.Wake, Raise, false, 1), d("lethal again", alarm.Wake, Raise, true, 2), d("lethal", alarm.Wake, Raise, true, 1))
		ctx, cancel := context.WithCancel(t.Context())
		go c.Run(ctx)
		synctest.Wait()
		cancel()
		if want := []string{"lethal", "wake", "lethal again", "repeat", "over", "today"}; !slices.Equal(order, want) {
			t.Errorf("order %q, want %q", order, want)
		}
	})
}

func TestCourier_newerReplacesOlder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var versions []int
		c := NewCourier(map[string]Channel{"mqtt": sender(func(_ context.Context, d Delivery) error {
			versions = append(versions, d.Version)
			return nil
		})}, 0, func(SendResult) {}, nil)
		for v := 1; v <= 3; v++ {
			d := wakeDelivery("mqtt", 0)
			d.Version = v
			c.Submit(d)
		}
		if n := c.waiting("mqtt"); n != 1 {
			t.Errorf("%d wait, want the newest alone", n)
		}
		ctx, cancel := context.WithCancel(t.Context())
		go c.Run(ctx)
		synctest.Wait()
		cancel()
		if !slices.Equal(versions, []int{3}) {
			t.Errorf("versions sent: %v", versions)
		}
	})
}

func TestCourier_survivesPanicAndUnknownChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		results := make(chan SendResult, 4)
		n := 0
		c := NewCourier(map[string]Channel{"mqtt": sender(func(context.Context, Delivery) error {
			if n++; n == 1 {
				panic("library bug")
			}
			return nil
		})}, 0, func(r SendResult) { results <- r }, nil)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go c.Run(ctx)
		c.Submit(wakeDelivery("mqtt", 0))
		if r := <-results; r.Err == nil {
			t.Error("a panic counts as delivered")
		}
		c.Submit(wakeDelivery("mqtt", 1))
		if r := <-results; r.Err != nil {
			t.Errorf("after the panic: %v", r.Err)
		}
		c.Submit(wakeDelivery("pigeon", 2))
		r := <-results
		if class, _ := ClassOf(r.Err); class != Refused || !strings.Contains(r.Err.Error(), `no channel "pigeon"`) {
			t.Errorf("unknown channel: %v", r.Err)
		}
	})
}

// The end of the context drops what was half sent without a result, so that
// the Desk's document still has it.
func TestCourier_stop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		results := 0
		c := NewCourier(map[string]Channel{"mqtt": sender(func(ctx context.Context, _ Delivery) error {
			<-ctx.Done()
			return ctx.Err()
		})}, 0, func(SendResult) { results++ }, nil)
		c.Submit(wakeDelivery("mqtt", 0), wakeDelivery("mqtt", 1))
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		c.Run(ctx)
		if results != 0 {
			t.Errorf("%d results after the stop", results)
		}
	})
}

// waiting is how many deliveries are queued for a channel.
func (c *Courier) waiting(channel string) int {
	c.mu.Lock()
	l := c.lanes[channel]
	c.mu.Unlock()
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.queue)
}

// What is as urgent leaves in its order.
func TestCourier_KeepsTheOrder(t *testing.T) {
	l := newLane("mqtt", nil)
	for i := range 4 {
		l.push(wakeDelivery("mqtt", i))
	}
	for i := range 4 {
		if d, ok := l.pop(); !ok || d.ID != wakeDelivery("mqtt", i).ID {
			t.Errorf("number %d is %q", i, d.ID)
		}
	}
	if _, ok := l.pop(); ok {
		t.Error("one more")
	}
}

// A server that answers after fifty seconds took the message over: it is failed at
// once, so that others are asked, tried a second time since it may be lost, and no
// third time. It holds up nothing else on its channel for longer than its time.
func TestCourier_aSlowServerGetsItTwiceAtMost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		slow, quick := wakeDelivery("gateway", 0), wakeDelivery("gateway", 1)
		var posts, other atomic.Int64
		took := time.Duration(0)
		results := make(chan SendResult, 100)
		c := NewCourier(map[string]Channel{"gateway": sender(func(ctx context.Context, d Delivery) error {
			if d.ID == quick.ID {
				other.Store(int64(time.Since(began)))
				return nil
			}
			posts.Add(1)
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(50 * time.Second):
				return nil
			}
		})}, 0, func(r SendResult) { results <- r }, nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { c.Run(ctx); close(done) }()
		c.Submit(slow, quick)
		var again <-chan time.Time
		for took == 0 && time.Since(began) < time.Hour {
			select {
			case r := <-results:
				switch {
				case r.Delivery == quick.ID:
				case r.Err == nil:
					took = time.Since(began)
				default:
					again = time.After(3 * time.Second)
				}
			case <-again:
				c.Submit(slow)
			}
		}
		if sent, left := posts.Load(), time.Duration(other.Load()); sent != 2 || took != 50*time.Second || left != 20*time.Second {
			t.Errorf("sent %d times, taken over after %v; what came behind it left after %v", sent, took, left)
		}
		cancel()
		<-done
	})
}

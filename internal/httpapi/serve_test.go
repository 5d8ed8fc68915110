package httpapi

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// wire is a listener whose connections are pipes, so that a whole server runs in a bubble of made-up time.
type wire struct {
	dialled chan net.Conn
	gone    chan struct{}
	once    sync.Once
}

func newWire() *wire { return &wire{dialled: make(chan net.Conn), gone: make(chan struct{})} }

func (l *wire) Accept() (net.Conn, error) {
	select {
	case c := <-l.dialled:
		return c, nil
	case <-l.gone:
		return nil, net.ErrClosed
	}
}

func (l *wire) Close() error { l.once.Do(func() { close(l.gone) }); return nil }

func (l *wire) Addr() net.Addr { return &net.UnixAddr{Name: "wire", Net: "pipe"} }

// dial gives the client's end, or false when nobody accepts within a second.
func (l *wire) dial() (net.Conn, bool) {
	near, far := net.Pipe()
	select {
	case l.dialled <- far:
		return near, true
	case <-time.After(time.Second):
		return nil, false
	}
}

func TestServeStopsAtOnceWhenNothingIsUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l, ended := newWire(), make(chan error)
		go func() { ended <- Serve(ctx, l, http.NotFoundHandler()) }()
		synctest.Wait()
		start := time.Now()
		stop()
		if err := <-ended; err != nil || time.Since(start) > 100*time.Millisecond {
			t.Errorf("%v after %v", err, time.Since(start))
		}
	})
}

// stopWith stops the server one moment after a request began that takes so long.
func stopWith(t *testing.T, takes time.Duration) (answered bool, stopped time.Duration) {
	ctx, stop := context.WithCancel(t.Context())
	l, ended := newWire(), make(chan error)
	go func() {
		ended <- Serve(ctx, l, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			select {
			case <-time.After(takes):
				_, _ = io.WriteString(w, "done")
			case <-r.Context().Done():
			}
		}))
	}()
	c, ok := l.dial()
	if !ok {
		t.Fatal("nobody accepts")
	}
	defer c.Close()
	if _, err := io.WriteString(c, "GET / HTTP/1.1\r\nHost: h\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	got := make(chan bool, 1)
	go func() {
		resp, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			got <- false
			return
		}
		body, err := io.ReadAll(resp.Body)
		got <- err == nil && string(body) == "done"
	}()
	synctest.Wait()
	start := time.Now()
	stop()
	if err := <-ended; err != nil {
		t.Errorf("%v", err)
	}
	stopped = time.Since(start)
	return <-got, stopped
}

func TestARequestUnderWayMayEndAndALongOneIsCutAfterTwoSeconds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		if answered, d := stopWith(t, time.Second); !answered || d < time.Second || d > 2*time.Second {
			t.Errorf("a request of 1 s: answered %v, stopped after %v", answered, d)
		}
		if answered, d := stopWith(t, 20*time.Second); answered || d != 2*time.Second {
			t.Errorf("a request of 20 s: answered %v, stopped after %v", answered, d)
		}
	})
}

func TestAHeaderThatTricklesIsCutAfterFiveSeconds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l, ended := newWire(), make(chan error)
		go func() { ended <- Serve(ctx, l, http.NotFoundHandler()) }()
		c, ok := l.dial()
		if !ok {
			t.Fatal("nobody accepts")
		}
		start := time.Now()
		if _, err := io.WriteString(c, "GET / HTTP/1.1\r\n"); err != nil {
			t.Fatal(err)
		}
		_, _ = io.ReadAll(c) // until the server hangs up
		if d := time.Since(start); d != 5*time.Second {
			t.Errorf("cut after %v", d)
		}
		stop()
		<-ended
	})
}

func TestOneConnectionTooManyWaitsUntilAnotherEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		l, ended := newWire(), make(chan error)
		go func() { ended <- Serve(ctx, l, http.NotFoundHandler()) }()
		var open []net.Conn
		for {
			c, ok := l.dial()
			if !ok {
				break
			}
			open = append(open, c)
			if len(open) > connectionsMax {
				break
			}
		}
		if len(open) != connectionsMax {
			t.Errorf("%d connections were taken, want %d", len(open), connectionsMax)
		}
		_ = open[0].Close()
		synctest.Wait()
		c, ok := l.dial()
		if !ok {
			t.Fatal("no place became free")
		}
		for _, o := range append(open[1:], c) {
			_ = o.Close()
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

func TestServeTellsWhenTheListenerFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newWire()
		_ = l.Close()
		if err := Serve(t.Context(), l, http.NotFoundHandler()); !errors.Is(err, net.ErrClosed) {
			t.Errorf("%v", err)
		}
	})
}

// Once over a real socket, with a real client.
func TestServeOverLoopback(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, ln, New(newPlant(t).config())) }()
	client := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{}}
	resp, err := client.Get("http://" + ln.Addr().String() + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(resp.Body)
	_ = resp.Body.Close()
	if err != nil || resp.StatusCode != 200 {
		t.Errorf("%v %d %s", err, resp.StatusCode, body)
	}
	client.CloseIdleConnections()
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if c, err := net.Dial("tcp", ln.Addr().String()); err == nil {
		_ = c.Close()
		t.Error("the listener is still open")
	}
}

package httpapi

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"
)

const (
	// stopFor is how long a request under way may go on after the stop. A command still waiting for the disk is then cut and its asker
	// retries under the same id.
	stopFor = 2 * time.Second

	headerFor = 5 * time.Second  // a header that trickles in slower is no scraper's
	readFor   = 10 * time.Second // the whole request: at most 4 kB of body
	writeFor  = 30 * time.Second // above durableFor, and enough for a whole scrape over a slow line
	idleFor   = 2 * time.Minute  // above the usual scrape interval of 15 s to 1 min, so that scrapers keep their connection
	headerMax = 16 << 10         // bytes

	// connectionsMax bounds the open connections: each is a file descriptor, and the logbook and the buses need theirs. Two scrapers, a
	// display and a few people are a dozen.
	connectionsMax = 64
)

// Serve serves until ctx ends or the listener fails, then stops within two seconds. It closes the listener. The error is nil after an
// ordinary stop.
func Serve(ctx context.Context, ln net.Listener, h http.Handler) error {
	srv := &http.Server{Handler: h, ReadHeaderTimeout: headerFor, ReadTimeout: readFor, WriteTimeout: writeFor, IdleTimeout: idleFor, MaxHeaderBytes: headerMax}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(bounded(ln)) }()
	select {
	case err := <-failed:
		_ = srv.Close() // the listener's error is the one to tell
		return fmt.Errorf("serving HTTP on %s: %w", ln.Addr(), err)
	case <-ctx.Done():
	}
	grace, cancel := context.WithTimeout(context.Background(), stopFor)
	defer cancel()
	err := srv.Shutdown(grace)
	if errors.Is(err, context.DeadlineExceeded) {
		err = srv.Close() // cut what is left: that was promised
	}
	<-failed
	return err
}

// boundedListener lets only so many connections be open; the next one waits in the kernel's backlog.
type boundedListener struct {
	net.Listener
	places chan struct{}
	closed chan struct{}
	once   sync.Once // Close is called by the server more than once
}

func bounded(ln net.Listener) net.Listener {
	return &boundedListener{Listener: ln, places: make(chan struct{}, connectionsMax), closed: make(chan struct{})}
}

func (l *boundedListener) Accept() (net.Conn, error) {
	select {
	case l.places <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.places
		return nil, err
	}
	return &boundedConn{Conn: c, leave: sync.OnceFunc(func() { <-l.places })}, nil
}

func (l *boundedListener) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

type boundedConn struct {
	net.Conn
	leave func()
}

func (c *boundedConn) Close() error {
	defer c.leave()
	return c.Conn.Close()
}

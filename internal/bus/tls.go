package bus

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"sync/atomic"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// tlsLink is a link over Modbus TCP with TLS. The library's own form takes the name to check from the address, waits 15 s for a handshake
// and cannot be stopped; so it speaks to our end of a loopback connection, and the secured one is ours.
type tlsLink struct {
	address string
	files   site.TLS
	timeout time.Duration

	lb      *loopback
	conn    *tls.Conn
	ended   atomic.Pointer[error] // how the secured connection ended
	pumping chan struct{}         // closed when both directions have ended
}

var errCertificates = errors.New("bus: certificates")

// settings reads the files anew, so that a renewed certificate is used from the next connection on.
func settings(address string, files site.TLS) (*tls.Config, error) {
	pair, err := tls.LoadX509KeyPair(files.Cert, files.Key)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errCertificates, err)
	}
	pem, err := os.ReadFile(files.CA)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errCertificates, err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%w: %s holds none", errCertificates, files.CA)
	}
	name := files.ServerName
	if name == "" {
		if name, _, err = net.SplitHostPort(address); err != nil {
			return nil, err
		}
	}
	// TLS 1.2 or later: Modbus/TCP Security Protocol V2.1, R-01.
	return &tls.Config{Certificates: []tls.Certificate{pair}, RootCAs: roots, ServerName: name, MinVersion: tls.VersionTLS12}, nil
}

func (l *tlsLink) open(ctx context.Context) error {
	l.close()
	c, err := settings(l.address, l.files)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, 2*l.timeout)
	defer cancel()
	raw, err := (&tls.Dialer{Config: c}).DialContext(ctx, "tcp", l.address)
	if err != nil {
		return err
	}
	conn, ok := raw.(*tls.Conn)
	if !ok {
		_ = raw.Close()
		return errors.New("bus: the secured connection is none")
	}
	lb, err := newLoopback(ctx, l.timeout)
	if err != nil {
		_ = conn.Close()
		return err
	}
	l.lb, l.conn, l.pumping = lb, conn, make(chan struct{})
	l.ended.Store(nil)
	go l.carry()
	return nil
}

// carry moves bytes both ways until either side ends, and ends the other with it.
func (l *tlsLink) carry() {
	defer close(l.pumping)
	out := make(chan struct{})
	go func() {
		defer close(out)
		_, err := io.Copy(l.conn, l.lb.conn)
		l.end(err)
	}()
	_, err := io.Copy(l.lb.conn, l.conn)
	l.end(err)
	<-out
}

func (l *tlsLink) end(err error) {
	if err == nil {
		err = io.EOF
	}
	l.ended.CompareAndSwap(nil, &err) // the first is the cause
	_ = l.conn.NetConn().Close()      // not the polite end, which waits for a peer that may be gone
	_ = l.lb.conn.Close()
}

// ask makes one read. When ctx ends it returns at once.
func (l *tlsLink) ask(ctx context.Context, station uint8, table reading.Table, addr, count uint16) (words []uint16, err error) {
	err = l.over(ctx, func(client *modbus.ModbusClient) (err error) {
		words, err = read(client, station, table, addr, count)
		return err
	})
	return words, err
}

// over does something with the library's end. When ctx ends it returns at once.
func (l *tlsLink) over(ctx context.Context, do func(*modbus.ModbusClient) error) error {
	if l.lb == nil {
		return errNotOpen
	}
	lb, conn := l.lb, l.conn
	stop := context.AfterFunc(ctx, func() {
		_ = conn.NetConn().Close()
		_ = lb.conn.Close()
	})
	defer stop()
	err := do(lb.client)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil && down(faultOf(err)) {
		// The library sees its loopback end; why the secured one ended is known here: a refused certificate shows only now.
		if cause := l.ended.Load(); cause != nil {
			return *cause
		}
	}
	return err
}

func (l *tlsLink) close() {
	if l.lb == nil {
		return
	}
	l.end(net.ErrClosed)
	<-l.pumping
	l.lb.close()
	l.lb, l.conn = nil, nil
}

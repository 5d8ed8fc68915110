package rig

import (
	"encoding/binary"
	"errors"
	"io"
	"net"
	"sync"
	"time"
)

const (
	clientsMax = 64 // a desk has a daemon, a scraper and a few tools; more is a loop that forgot to hang up
	// Modbus TCP header: transaction 2, protocol 2, length 2, unit 1. Length counts the unit and at most 253 bytes of PDU.
	headerLen      = 7
	frameLengthMin = 2
	frameLengthMax = 254
	dialWait       = 2 * time.Second // loopback; only a machine out of ports takes longer
)

// gate stands before the library's server and swallows requests to silent stations. The library must answer every request and serves
// one connection's requests in turn, so a handler that merely waits would silence the other stations of the connection too, and end
// in a late reply. Here silence is silence, for one station, for as long as the script says, whatever the client's timeout.
type gate struct {
	listener net.Listener
	inner    string
	silent   func(station uint8) bool
	slots    chan struct{} // one per client being served

	wg     sync.WaitGroup
	mu     sync.Mutex // guards what follows: accept adds, each connection removes itself, close takes all
	closed bool
	conns  map[net.Conn]bool
}

func openGate(addr, inner string, silent func(uint8) bool) (*gate, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, err
	}
	g := &gate{listener: l, inner: inner, silent: silent,
		slots: make(chan struct{}, clientsMax), conns: make(map[net.Conn]bool)}
	g.wg.Go(g.accept)
	return g, nil
}

func (g *gate) close() error {
	g.mu.Lock()
	g.closed = true
	err := g.listener.Close()
	for c := range g.conns {
		c.Close()
	}
	g.mu.Unlock()
	g.wg.Wait()
	return err
}

func (g *gate) accept() {
	for {
		c, err := g.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil { // out of descriptors; a client hanging up frees one
			<-time.After(100 * time.Millisecond)
			continue
		}
		select {
		case g.slots <- struct{}{}:
			g.wg.Go(func() {
				g.serve(c)
				<-g.slots
			})
		default:
			c.Close()
		}
	}
}

// keep notes a connection so that close finds it; false when the gate is already closed.
func (g *gate) keep(c net.Conn) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed {
		c.Close()
		return false
	}
	g.conns[c] = true
	return true
}

func (g *gate) drop(c net.Conn) {
	c.Close()
	g.mu.Lock()
	delete(g.conns, c)
	g.mu.Unlock()
}

func (g *gate) serve(client net.Conn) {
	if !g.keep(client) {
		return
	}
	defer g.drop(client)
	server, err := net.DialTimeout("tcp", g.inner, dialWait)
	if err != nil {
		return
	}
	if !g.keep(server) {
		return
	}
	defer g.drop(server)
	g.wg.Go(func() {
		io.Copy(client, server) // ends when either side hangs up; the other loop then sees it too
		client.Close()
	})
	g.forward(server, client)
}

// forward passes whole frames on, until a connection ends or a frame makes no sense.
func (g *gate) forward(server io.Writer, client io.Reader) {
	var frame [headerLen - 1 + frameLengthMax]byte
	for {
		if _, err := io.ReadFull(client, frame[:headerLen]); err != nil {
			return
		}
		length := int(binary.BigEndian.Uint16(frame[4:6]))
		if length < frameLengthMin || length > frameLengthMax {
			return
		}
		whole := frame[:headerLen-1+length]
		if _, err := io.ReadFull(client, whole[headerLen:]); err != nil {
			return
		}
		if g.silent(frame[headerLen-1]) {
			continue
		}
		if _, err := server.Write(whole); err != nil {
			return
		}
	}
}

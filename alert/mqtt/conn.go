package mqtt

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Times of a connection. The library's own defaults are far too patient for an
// alarm: reconnecting after up to 10 minutes, writing without a limit.
const (
	handshakeTime = 10 * time.Second
	writeTime     = 10 * time.Second
	confirmTime   = 15 * time.Second // for messages whose caller sets no limit
	firstRetry    = time.Second
	lastRetry     = 15 * time.Second
	steadyAfter   = 10 * time.Second // a connection that held so long was no flapping
)

var (
	errNotConnected = errors.New("not connected")
	errNotYet       = fmt.Errorf("%w since the start", errNotConnected)
)

type session struct {
	client paho.Client
	began  time.Time
	lost   context.Context // ends with the connection, by its cause
	end    context.CancelCauseFunc
}

// alive reports whether s can carry a message now. IsConnected would be true
// while the library still tries.
func (s *session) alive() bool {
	return s.lost.Err() == nil && s.client.IsConnectionOpen()
}

// reconnect works on one connection after the other until ctx ends. once reports
// whether there was one, and why it is gone; the log has one line for each outage.
func (o *Options) reconnect(ctx context.Context, once func() (up bool, err error)) {
	wait, logged := firstRetry, false
	for {
		began := time.Now()
		up, err := once()
		if ctx.Err() != nil {
			return
		}
		if up && time.Since(began) >= steadyAfter {
			wait = firstRetry
		}
		if up || !logged {
			o.Log.Warn("no connection to the broker; trying again", "broker", o.Broker, "err", err)
			logged = true
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		wait = min(2*wait, lastRetry)
	}
}

// connect opens a session, whose will goes to the status topic.
func connect(ctx context.Context, o *Options, status string) (*session, error) {
	s := &session{}
	s.lost, s.end = context.WithCancelCause(context.Background())
	connected := func() bool { return true } // from then on the end of ctx leaves time for a farewell
	open := func(uri *url.URL, _ paho.ClientOptions) (net.Conn, error) {
		conn, err := o.dial(ctx, uri)
		if err == nil {
			connected = context.AfterFunc(ctx, func() { conn.Close() })
		}
		return conn, err
	}
	po := paho.NewClientOptions().AddBroker(o.Broker).SetClientID(o.ClientID).
		SetUsername(o.Username).SetPassword(o.Password).
		SetProtocolVersion(4).SetCleanSession(true).SetStore(paho.NewOrderedMemoryStore()).
		SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(handshakeTime).
		SetWriteTimeout(writeTime).SetKeepAlive(o.KeepAlive).SetPingTimeout(min(o.KeepAlive, 10*time.Second)).
		SetOrderMatters(false).SetCustomOpenConnectionFn(open).SetBinaryWill(status, []byte(offline), 1, true).
		SetConnectionLostHandler(func(_ paho.Client, err error) { s.end(err) })
	s.client = paho.NewClient(po)
	token := s.client.Connect()
	<-token.Done()
	connected()
	if err := token.Error(); err != nil {
		return nil, fmt.Errorf("connect to broker %s: %w", o.Broker, err)
	}
	s.began = time.Now()
	return s, nil
}

// publish sends at QoS 1 and waits for the broker's confirmation.
func (s *session) publish(ctx context.Context, topic string, retained bool, payload []byte) error {
	if !s.alive() {
		return errNotConnected
	}
	token := s.client.Publish(topic, 1, retained, payload)
	return s.confirmed(ctx, token, "publish on "+topic)
}

// confirmed waits for a token, but not for ever: one whose connection broke
// may never be completed, or be completed without an error.
func (s *session) confirmed(ctx context.Context, token paho.Token, what string) error {
	select {
	case <-token.Done():
	case <-s.lost.Done():
		return fmt.Errorf("%s: connection lost: %w", what, context.Cause(s.lost))
	case <-ctx.Done():
		return fmt.Errorf("%s: no answer from the broker: %w", what, ctx.Err())
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	if !s.alive() {
		return fmt.Errorf("%s: connection broke before the confirmation could be trusted", what)
	}
	return nil
}

// subscribe subscribes at QoS 1. handle runs on the library's goroutines.
func (s *session) subscribe(ctx context.Context, handle paho.MessageHandler, topics ...string) error {
	filters := make(map[string]byte, len(topics))
	for _, t := range topics {
		filters[t] = 1
	}
	token := s.client.SubscribeMultiple(filters, handle)
	if err := s.confirmed(ctx, token, "subscribe to "+strings.Join(topics, ", ")); err != nil {
		return err
	}
	if st, ok := token.(*paho.SubscribeToken); ok {
		for topic, code := range st.Result() {
			if code == 0x80 { // MQTT 3.1.1 section 3.9.3
				return fmt.Errorf("subscribe to %s: the broker refuses it; check its access list", topic)
			}
		}
	}
	return nil
}

// dial opens the network connection, and takes no proxy from the environment.
func (o *Options) dial(ctx context.Context, uri *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, handshakeTime)
	defer cancel()
	secure, port := scheme(uri.Scheme)
	address := net.JoinHostPort(uri.Hostname(), cmp.Or(uri.Port(), port))
	if secure {
		return (&tls.Dialer{Config: o.TLS}).DialContext(ctx, "tcp", address)
	}
	return new(net.Dialer).DialContext(ctx, "tcp", address)
}

package daemon

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/mail"
	"dewline/alert/mqtt"
	"dewline/alert/peer"
	"dewline/alert/webhook"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

func buildChannels(cfg *configs.Config, id string, log *slog.Logger, h hooks) *channels {
	c := &channels{log: log, beats: make(chan alert.Heartbeat, 1), hooks: h, ways: ways{byName: map[string]alert.Channel{}}}
	if cfg.MQTT.Broker != "" {
		who := senders(cfg)
		for _, f := range who.faults { // without commands the room still warns
			c.leftOut = append(c.leftOut, f)
			log.Error("commands over MQTT are refused", "person", f.About, "why", f.Note)
		}
		client, err := buildMQTT(cfg, id, who, log, h)
		c.secrets = brokerSecrets(cfg.MQTT, who)
		c.use("mqtt", "mqtt", client, err)
		if err == nil {
			c.mqtt = client
		}
	}
	if cfg.Mail.Host != "" {
		sender, err := newMail(cfg, id, h)
		c.use("mail", "mail", sender, err)
		if err == nil {
			c.mail = sender
		}
	}
	for _, w := range cfg.Webhooks {
		hook, err := buildWebhook(id, w)
		c.use("webhook "+w.ID, w.ID, hook, err)
	}
	if cfg.Outside.URL+cfg.Outside.URLFile != "" {
		beat, err := buildBeat(cfg.Outside)
		if err != nil {
			log.Error("the outside heartbeat cannot work", "err", err)
			c.faults = append(c.faults, WayFault{Section: "heartbeat", What: err.Error()})
		}
		c.beat = beat
	}
	return c
}

// use takes a channel in, or one that says why it cannot work.
func (c *channels) use(section, name string, ch alert.Channel, err error) {
	if err != nil {
		c.faults = append(c.faults, WayFault{Section: section, What: err.Error()})
		c.log.Error("a channel cannot work", "channel", name, "err", err, "do", "mend its section or its secret and reload")
		ch = brokenChannel{fmt.Errorf("channel %s: %w", name, err)}
	}
	c.byName[name] = ch
}

func credentials() string { return os.Getenv("CREDENTIALS_DIRECTORY") }

// secret reads an optional secret; an empty name is none.
func secret(name string) (string, error) {
	if name == "" {
		return "", nil
	}
	return configs.ReadSecret(name, credentials())
}

// commandSenders are those whose commands over the broker are taken.
type commandSenders struct {
	token  string
	keys   map[string][]byte // by person
	faults []alarm.Fact      // of secrets that cannot be read
}

func senders(cfg *configs.Config) commandSenders {
	c := commandSenders{keys: map[string][]byte{}}
	var err error
	if c.token, err = secret(cfg.MQTT.CommandTokenFile); err != nil {
		c.faults = append(c.faults, withoutSecret(alarm.FactNoCommands, err))
	}
	for _, p := range cfg.People {
		key, err := secret(p.CommandKeyFile)
		if err == nil && key != "" && len(key) < mqtt.KeyAtLeast {
			err = fmt.Errorf("the key in %s has fewer than %d characters and can be guessed: make one with openssl rand -hex 32", p.CommandKeyFile, mqtt.KeyAtLeast)
		}
		if err != nil {
			f := withoutSecret(alarm.FactNoCommandsOf, err)
			f.About = p.ID
			c.faults = append(c.faults, f)
		} else if key != "" {
			c.keys[p.ID] = []byte(key)
		}
	}
	return c
}

// brokerSecrets are the contents of what a connection to the broker is made with,
// beside its settings; a client certificate is read at every connection.
func brokerSecrets(m configs.MQTT, who commandSenders) string {
	password, _ := secret(m.PasswordFile)
	var authority []byte
	if m.CAFile != "" {
		authority, _ = os.ReadFile(m.CAFile)
	}
	return fmt.Sprintf("%q %q %q %q", password, authority, who.token, who.keys) // maps print in order
}

func buildMQTT(cfg *configs.Config, id string, who commandSenders, log *slog.Logger, h hooks) (*mqtt.Client, error) {
	password, tlsConfig, err := brokerAccess(cfg.MQTT, h.peer)
	if err != nil {
		return nil, err
	}
	o := h.mqtt
	o.Room, o.Broker, o.Username, o.Password, o.TLS, o.Log = id, cfg.MQTT.Broker, cfg.MQTT.Username, password, tlsConfig, log
	o.Keys, o.Token, o.TokenFor = who.keys, who.token, tokenFor(cfg)
	o.OnState = func(down error) { h.state("mqtt", down) }
	return mqtt.New(o)
}

// tokenFor says what the token may do where the configuration does not: a key that
// cannot be read does not open that door again.
func tokenFor(cfg *configs.Config) string {
	signs := func(p configs.Person) bool { return p.CommandKeyFile != "" }
	if cfg.MQTT.TokenCommands == "" && slices.ContainsFunc(cfg.People, signs) {
		return mqtt.TokenNothing
	}
	return cfg.MQTT.TokenCommands
}

// brokerAccess returns what opens the broker, as far as it lies in files.
func brokerAccess(m configs.MQTT, saw func(subject string, notAfter time.Time)) (password string, c *tls.Config, err error) {
	if password, err = secret(m.PasswordFile); err != nil {
		return "", nil, fmt.Errorf("read the broker's password: %w", err)
	}
	c, err = clientTLS(m, saw)
	return password, c, err
}

// clientTLS makes what a connection to the broker is checked with: the
// system's roots where the configuration names no authority.
func clientTLS(m configs.MQTT, saw func(subject string, notAfter time.Time)) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if m.CAFile != "" {
		pool, err := readPool(m.CAFile)
		if err != nil {
			return nil, fmt.Errorf("read the broker's authority: %w", err)
		}
		c.RootCAs = pool
	}
	if m.CertFile != "" {
		if _, err := tls.LoadX509KeyPair(m.CertFile, m.KeyFile); err != nil {
			return nil, fmt.Errorf("read the client certificate for the broker: %w", err)
		}
		// Read at every connection, so that a renewed one needs no restart.
		c.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
			pair, err := tls.LoadX509KeyPair(m.CertFile, m.KeyFile)
			if err != nil {
				return nil, fmt.Errorf("read the client certificate for the broker: %w", err)
			}
			return &pair, nil
		}
	}
	if saw != nil {
		c.VerifyConnection = func(s tls.ConnectionState) error {
			saw(certBroker, s.PeerCertificates[0].NotAfter)
			return nil
		}
	}
	broker, err := url.Parse(m.Broker)
	if err != nil {
		return nil, fmt.Errorf("broker address: %w", err)
	}
	peer.Check(c, broker.Hostname(), sensors.KernelSynced)
	return c, nil
}

func readPool(file string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", file)
	}
	return pool, nil
}

func newMail(cfg *configs.Config, id string, h hooks) (*mail.Sender, error) {
	password, err := secret(cfg.Mail.PasswordFile)
	if err != nil {
		return nil, fmt.Errorf("read the mail password: %w", err)
	}
	o := mail.Options{
		Host: cfg.Mail.Host, Port: cfg.Mail.Port, Username: cfg.Mail.Username, Password: password,
		From: cfg.Mail.From, TLS: cfg.Mail.TLS, Room: id, ClockSet: sensors.KernelSynced,
	}
	if h.peer != nil {
		o.OnPeer = func(cert *x509.Certificate) { h.peer(certMail, cert.NotAfter) }
	}
	if cfg.Mail.CAFile != "" {
		if o.Roots, err = readPool(cfg.Mail.CAFile); err != nil {
			return nil, fmt.Errorf("read the mail server's authority: %w", err)
		}
	}
	return mail.New(o)
}

func buildWebhook(id string, w configs.Webhook) (*webhook.Hook, error) {
	key, err := secret(w.SecretFile)
	if err != nil {
		return nil, fmt.Errorf("read the signing key: %w", err)
	}
	address, err := addressOf(w.URL, w.URLFile)
	if err != nil {
		return nil, err
	}
	headers := map[string]string{}
	for name, file := range w.HeaderFiles {
		if headers[name], err = secret(file); err != nil {
			return nil, fmt.Errorf("read the header %s: %w", name, err)
		}
	}
	return webhook.New(webhook.Options{
		ID: w.ID, URL: address, Secret: []byte(key), Template: w.Template, MediaType: w.MediaType,
		Headers: w.Headers, Secrets: headers, Room: id, ClockSet: sensors.KernelSynced,
	})
}

func buildBeat(o configs.Outside) (*webhook.Beat, error) {
	address, err := addressOf(o.URL, o.URLFile)
	if err != nil {
		return nil, err
	}
	return webhook.NewBeat(address, sensors.KernelSynced)
}

// addressOf returns an address that is written in the configuration or in a file.
func addressOf(address, file string) (string, error) {
	if address != "" {
		return address, nil
	}
	address, err := secret(file)
	if err != nil {
		return "", fmt.Errorf("read the address: %w", err)
	}
	return strings.TrimSpace(address), nil
}

func withoutSecret(part alarm.FactID, err error) alarm.Fact {
	why := err.Error()
	if s, ok := errors.AsType[*configs.SecretError](err); ok {
		why = s.Why
	}
	return alarm.Fact{ID: part, Note: why}
}

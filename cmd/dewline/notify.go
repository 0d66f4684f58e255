package main

import (
	"fmt"
	"math/rand/v2"
	"net/netip"
	"time"

	"dewline"
	"dewline/alerts/notify"
)

// notifySettings say how people are told of alerts.
type notifySettings struct {
	Link   string        `yaml:"link"`    // where people reach the pages; empty: messages have no links
	GiveUp time.Duration `yaml:"give_up"` // how long a message is tried, 72h
	Mail   struct {
		Host         string `yaml:"host"` // empty: no e-mail
		Port         int    `yaml:"port"`
		Security     string `yaml:"security"` // starttls, tls or none
		User         string `yaml:"user"`
		PasswordFile string `yaml:"password_file"` // holds the password on one line
		From         string `yaml:"from"`
		FromName     string `yaml:"from_name"`
	} `yaml:"mail"`
	Webhook struct {
		PlainHTTP     bool     `yaml:"plain_http"`     // also send to http addresses
		AllowNetworks []string `yaml:"allow_networks"` // parts of the local network that may be reached
	} `yaml:"webhook"`
	Chat struct {
		Hosts []string `yaml:"hosts"` // where services that anybody can run may be reached
	} `yaml:"chat"`
	MQTT struct {
		URL          string `yaml:"url"` // empty: no MQTT
		User         string `yaml:"user"`
		PasswordFile string `yaml:"password_file"` // holds the password on one line
		ClientID     string `yaml:"client_id"`
	} `yaml:"mqtt"`
}

// openCourier makes what tells people of alerts; it sends nothing before it runs.
func (s *service) openCourier() error {
	senders, err := s.senders()
	if err != nil {
		return fmt.Errorf("settings: notify: %w", err)
	}
	set := s.o.Settings.Notify
	retry := notify.DefaultRetry()
	if set.GiveUp != 0 {
		retry.GiveUp = set.GiveUp
	}
	s.courier, err = notify.New(notify.Options{
		Store: s.relational, Fleet: s.fleet.Load, Senders: senders, Held: s.desks.alerts.Held, Reports: s.ownerReport, Link: set.Link,
		Now: time.Now, Jitter: rand.Float64, Retry: retry, Log: s.log, Metrics: s.registry,
	})
	return err
}

func (s *service) senders() (map[dewline.Channel]notify.Sender, error) {
	set := s.o.Settings.Notify
	var guard notify.Guard
	for _, text := range set.Webhook.AllowNetworks {
		network, err := netip.ParsePrefix(text)
		if err != nil {
			return nil, fmt.Errorf("webhook.allow_networks: %q is no network such as 192.168.7.0/24", text)
		}
		guard.Allow = append(guard.Allow, network)
	}
	senders := map[dewline.Channel]notify.Sender{
		dewline.ByWebhook: notify.NewWebhook(guard, set.Webhook.PlainHTTP),
		dewline.ByChat:    notify.NewChat(set.Chat.Hosts),
	}
	if set.Mail.Host != "" {
		mail, err := s.mailSender()
		if err != nil {
			return nil, err
		}
		senders[dewline.ByMail] = mail
	}
	if set.MQTT.URL != "" {
		publisher, err := s.mqttSender()
		if err != nil {
			return nil, err
		}
		senders[dewline.ByMQTT] = publisher
	}
	return senders, nil
}

func (s *service) mailSender() (*notify.Mail, error) {
	m := s.o.Settings.Notify.Mail
	password, err := secret(m.PasswordFile)
	if err != nil {
		return nil, fmt.Errorf("password of the e-mail server: %w", err)
	}
	return notify.NewMail(notify.MailOptions{
		Host: m.Host, Port: m.Port, Security: m.Security, User: m.User, Password: password, From: m.From, FromName: m.FromName,
	})
}

func (s *service) mqttSender() (*notify.MQTT, error) {
	m := s.o.Settings.Notify.MQTT
	password, err := secret(m.PasswordFile)
	if err != nil {
		return nil, fmt.Errorf("password of the MQTT broker: %w", err)
	}
	root := s.o.Settings.Topic
	if root == "" {
		root = "dewline"
	}
	return notify.NewMQTT(notify.MQTTOptions{URL: m.URL, User: m.User, Password: password, ClientID: m.ClientID, Root: root})
}

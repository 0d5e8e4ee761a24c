package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	stdlog "log"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/sirupsen/logrus"
	"github.com/spf13/cobra"

	"fettle/prog"
	"fettle/report/serve"
)

// newServe makes the verb serve.
func newServe() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "serve [FOLDER] [flags]",
		Short: "The bench in a browser, on the telephone beside the track.",
		Long: `It prints an address to open in a browser. The page there shows what is on the programming track, reads registers, plans and
applies register sets, and makes the runs of a trial, with an emergency stop always in reach. FOLDER has the sets and trials,
and gets the journals and runs; else it is this folder.

One window drives, others watch; any of them can stop. The track goes off by itself when the one who drives has not been
heard for the time that --silence says, as when the telephone loses its network.

Without --listen only this machine reaches it. For a telephone give --listen 0.0.0.0:8087, or the address of this machine: the
address that is printed then has a token, another one each time, and nobody gets in without. Who can read along on that
network can read the token too: use a network that you trust.

` + cautions,
		Example:               "  fettle serve fettle-demo/engine-30 --station bench:engine-30\n  fettle serve --listen 0.0.0.0:8087 --station board:/dev/ttyUSB0",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 1 {
				return misuse(cmd, "found %d folders, want one at most", len(args))
			}
			return nil
		},
	}, map[status]string{
		done:          "ended with Ctrl-C, with nothing half-way",
		badUse:        "bad use, no such folder, or the address can't be listened at",
		stationFailed: "the station failed as it was opened, or the track would not go off",
		stopped:       "ended with Ctrl-C in the middle of a batch; the journal named can resume it or undo it",
	})
	flags := addStation(cmd)
	options := serve.Options{Folder: ".", Silence: 5 * time.Second, Pace: 10, Bound: prog.DefaultBound, Version: version()}
	listen := cmd.Flags().String("listen", "127.0.0.1:8087", "the `ADDRESS`:PORT to be reached at; 0.0.0.0:PORT is every address of this machine")
	cmd.Flags().DurationVar(&options.Silence, "silence", options.Silence, "the `TIME` after which the track goes off, from 1s to 1m0s")
	cmd.Flags().Var(quantity[float64]{&options.Pace, "times"}, "pace", "on the bench: how many `TIMES` faster than life a vehicle runs")
	cmd.Flags().Var(chance{&options.Bound}, "bound", "the `CHANCE` of a wrong value up to which a value counts as read")
	cmd.RunE = func(cmd *cobra.Command, args []string) (err error) {
		if len(args) == 1 {
			options.Folder = args[0]
		}
		listener, err := net.Listen("tcp", *listen)
		if err != nil {
			return misuse(cmd, "--listen %s: %w; want ADDRESS:PORT, as 127.0.0.1:8087, with a port that is free", *listen, err)
		}
		defer func() { _ = listener.Close() }() // after Serve it is closed already
		name, _, _ := net.SplitHostPort(*listen)
		at, err := reachedAt(listener.Addr().(*net.TCPAddr), name)
		if err != nil {
			return err
		}
		options.Hosts = at.hosts
		if at.beyond {
			options.Token = rand.Text()
		}
		if options.Station, err = flags.open(); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, options.Station.Close()) }()
		return serveBench(cmd, listener, at, options)
	}
	return cmd
}

// serveBench serves the bench until it is asked to end.
func serveBench(cmd *cobra.Command, listener net.Listener, at reach, options serve.Options) error {
	bench, err := serve.New(options)
	if err != nil {
		return err
	}
	faults := logrus.StandardLogger().WriterLevel(logrus.WarnLevel)
	defer faults.Close()
	server := &http.Server{
		Handler: bench.Handler(), ReadHeaderTimeout: 5 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
		ErrorLog: stdlog.New(faults, "", 0),
	}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(listener) }()
	err = printText(cmd.OutOrStdout(), "%s", welcome(at, options))
	if err == nil {
		select {
		case <-cmd.Context().Done():
		case err = <-failed:
		}
	}
	if closing := bench.Close(); closing != nil {
		code := stationFailed
		if errors.Is(closing, serve.ErrHalfway) {
			code = stopped
		}
		err = errors.Join(err, failure{code, fmt.Errorf("serving %s: %w", options.Folder, closing)})
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(cmd.Context()), time.Second)
	defer cancel()
	if server.Shutdown(ctx) != nil {
		_ = server.Close() // what is still open is a page that nobody needs
	}
	if err == nil {
		_, err = io.WriteString(cmd.OutOrStdout(), "\nEnded. The track is off.\n")
	}
	return err
}

// welcome says where to open the page, and what there is to heed.
func welcome(at reach, o serve.Options) string {
	d := o.Station.Describe()
	var b strings.Builder
	fmt.Fprintf(&b, "%v\n\n", d)
	for _, host := range at.open {
		fmt.Fprintf(&b, "open:    http://%s/", host)
		if o.Token != "" {
			fmt.Fprintf(&b, "?token=%s", o.Token)
		}
		b.WriteString("\n")
	}
	fmt.Fprintf(&b, "folder:  %s\n\n", o.Folder)
	fmt.Fprintf(&b, "Ctrl-C ends it, and turns the track off. So does a silence of %g s of the window that drives.\n", o.Silence.Seconds())
	if at.beyond {
		b.WriteString("Others on this network can open it too, with the token. Who can read along on the network can read the token and all else: " +
			"use one that you trust, and end this when you are done.\n")
	}
	if !d.Simulated {
		b.WriteString("\n" + flowed(cautions) + "\n")
	}
	return b.String()
}

// reach is where a listener is reached.
type reach struct {
	open   []string // hosts for an address to open, the likeliest first
	hosts  []string // that a request may be for
	beyond bool     // not from this machine alone
}

// reachedAt says where a listener at an address is reached that was given by a name.
func reachedAt(at *net.TCPAddr, name string) (reach, error) {
	ips := []net.IP{at.IP}
	if at.IP.IsUnspecified() {
		all, err := net.InterfaceAddrs()
		if err != nil {
			return reach{}, fmt.Errorf("finding the addresses of this machine: %w", err)
		}
		ips = ips[:0]
		for _, a := range all {
			if n, ok := a.(*net.IPNet); ok && !n.IP.IsLinkLocalUnicast() {
				ips = append(ips, n.IP)
			}
		}
	}
	var r reach
	host := func(name string) string { return net.JoinHostPort(name, fmt.Sprint(at.Port)) }
	slices.SortStableFunc(ips, func(a, b net.IP) int { return cmp.Compare(rank(a), rank(b)) })
	names := []string{"localhost"}
	for _, ip := range ips {
		names = append(names, ip.String())
		r.open = append(r.open, host(ip.String()))
		r.beyond = r.beyond || !ip.IsLoopback()
	}
	if net.ParseIP(name) == nil && name != "" {
		names = append(names, name)
	}
	if machine, err := os.Hostname(); err == nil && r.beyond {
		names = append(names, machine, machine+".local")
	}
	for _, name := range names {
		r.hosts = append(r.hosts, host(name))
		if at.Port == 80 {
			r.hosts = append(r.hosts, strings.TrimSuffix(host(name), ":80"))
		}
	}
	return r, nil
}

// rank puts the addresses first that a telephone is likely to reach.
func rank(ip net.IP) int {
	switch {
	case ip.IsLoopback():
		return 2
	case ip.To4() == nil:
		return 1
	}
	return 0
}

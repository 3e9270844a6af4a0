package main

import (
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver
)

// sqlitePeer is SQLite with a row per reading, and a table of hours that is kept
// as they end, as a careful program would.
type sqlitePeer struct {
	db                 *sql.DB
	put, hour          *sql.Stmt
	rawQ, hourQ, daysQ *sql.Stmt
	open               map[int]*sqliteHour
}

type sqliteHour struct {
	at                     int64
	n                      int64
	minT, maxT, minH, maxH int32
	sumT, sumH             int64
}

const sqliteSchema = `
create table if not exists reading (probe integer, at integer, t integer, h integer, primary key (probe, at)) without rowid;
create table if not exists hour (probe integer, at integer, n integer, mint integer, sumt integer, maxt integer,
	minh integer, sumh integer, maxh integer, primary key (probe, at)) without rowid;`

func openSQLite(dir string) (peer, error) {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "readings.db")+"?_pragma=journal_mode(wal)&_pragma=synchronous(full)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	s := &sqlitePeer{db: db, open: map[int]*sqliteHour{}}
	if _, err := db.Exec(sqliteSchema); err != nil {
		return nil, err
	}
	for _, q := range [...]struct {
		to  **sql.Stmt
		sql string
	}{
		{&s.put, "insert into reading values (?, ?, ?, ?)"},
		{&s.hour, "insert or replace into hour values (?, ?, ?, ?, ?, ?, ?, ?, ?)"},
		{&s.rawQ, "select at, t, h from reading where probe = ? and at >= ? and at < ? order by at"},
		{&s.hourQ, "select mint, maxt, cast(round(1.0*sumh/n) as integer) from hour where probe = ? and at >= ? and at < ? order by at"},
		{&s.daysQ, "select min(mint), max(maxt), cast(round(1.0*sum(sumh)/sum(n)) as integer) from hour where at >= ? and at < ? group by probe, at / 86400000"},
	} {
		if *q.to, err = db.Prepare(q.sql); err != nil {
			return nil, fmt.Errorf("prepare %q: %w", q.sql, err)
		}
	}
	return s, nil
}

func (s *sqlitePeer) append(batch []point) (err error) {
	tx, err := s.db.Begin()
	if err != nil {
		return err
	}
	put, hour := tx.Stmt(s.put), tx.Stmt(s.hour)
	for _, x := range batch {
		if _, err := put.Exec(x.probe, x.at, x.temp, x.hu); err != nil {
			return errors.Join(err, tx.Rollback())
		}
		h := s.open[x.probe]
		if h != nil && x.at/hourMillis != h.at/hourMillis {
			if err := h.put(hour, x.probe); err != nil {
				return errors.Join(err, tx.Rollback())
			}
			h = nil
		}
		if h == nil {
			h = &sqliteHour{at: x.at / hourMillis * hourMillis, minT: x.temp, maxT: x.temp, minH: x.hu, maxH: x.hu}
			s.open[x.probe] = h
		}
		h.n++
		h.minT, h.maxT, h.minH, h.maxH = min(h.minT, x.temp), max(h.maxT, x.temp), min(h.minH, x.hu), max(h.maxH, x.hu)
		h.sumT, h.sumH = h.sumT+int64(x.temp), h.sumH+int64(x.hu)
	}
	return tx.Commit()
}

func (h *sqliteHour) put(stmt *sql.Stmt, probe int) error {
	_, err := stmt.Exec(probe, h.at, h.n, h.minT, h.sumT, h.maxT, h.minH, h.sumH, h.maxH)
	return err
}

func (s *sqlitePeer) settle() error {
	for probe, h := range s.open {
		if err := h.put(s.hour, probe); err != nil {
			return err
		}
	}
	_, err := s.db.Exec("pragma wal_checkpoint(truncate)")
	return err
}

func (s *sqlitePeer) close() error { return s.db.Close() }

func (s *sqlitePeer) raw(probe int, from, to int64) (summary, error) {
	out, name := newSummary(), nameOf(probe)
	rows, err := s.rawQ.Query(probe, from, to)
	if err != nil {
		return out, err
	}
	defer rows.Close()
	for rows.Next() {
		var at int64
		var t, h int32
		if err := rows.Scan(&at, &t, &h); err != nil {
			return out, err
		}
		r := readingOf(name, at, t, h)
		out.read(&r)
	}
	return out, rows.Err()
}

func (s *sqlitePeer) byHour(probe int, from, to int64) (summary, error) {
	return spread(s.hourQ.Query(probe, from, to))
}

func (s *sqlitePeer) byDay(from, to int64) (summary, error) { return spread(s.daysQ.Query(from, to)) }

func spread(rows *sql.Rows, err error) (summary, error) {
	out := newSummary()
	if err != nil {
		return out, err
	}
	defer rows.Close()
	for rows.Next() {
		var minT, maxT, h int32
		if err := rows.Scan(&minT, &maxT, &h); err != nil {
			return out, err
		}
		out.add(minT, maxT, h)
	}
	return out, rows.Err()
}

// check is SQLite's quicker one, of pages without indexes.
func (s *sqlitePeer) check() (bool, error) {
	var answer string
	if err := s.db.QueryRow("pragma quick_check").Scan(&answer); err != nil {
		return true, err
	}
	if answer != "ok" {
		return true, fmt.Errorf("quick_check says %q", answer)
	}
	return true, nil
}

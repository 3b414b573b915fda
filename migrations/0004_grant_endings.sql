-- +goose Up

-- Which sessions ended is read for every node's sockets, on nobody's behalf.
revoke select (id, ended_at) on session from readback_reader;
grant select (id, ended_at) on session to readback_hub;

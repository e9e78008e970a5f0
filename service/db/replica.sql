-- name: primary
-- Where the primary stands: everything answered so far lies at or before this place of its log. The timeline is another after each failover.
SELECT (SELECT system_identifier FROM pg_control_system()) AS system,
    ('x' || left(pg_walfile_name(pg_current_wal_flush_lsn()), 8))::bit(32)::int AS timeline,
    pg_wal_lsn_diff(pg_current_wal_flush_lsn(), '0/0')::bigint AS place;

-- name: replica
-- How far a replica has come; `follows` is false for one that was promoted. Its timeline is that of its last restart point, so one that has
-- just followed a failover counts as a stranger until the next: rather not read for some minutes than read of another history.
SELECT (SELECT system_identifier FROM pg_control_system()) AS system,
    (SELECT timeline_id FROM pg_control_checkpoint()) AS timeline,
    pg_wal_lsn_diff(pg_last_wal_replay_lsn(), '0/0')::bigint AS place,
    pg_is_in_recovery() AS follows;

-- name: readiness
-- Whether the session's role could see what row security hides, and how far the database is migrated.
SELECT (SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user) AS bypasses, version_num AS migrated_to
FROM public.alembic_version;

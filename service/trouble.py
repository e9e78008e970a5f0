"""Trouble that stops a command: one sentence that says what is wrong and what to do.

What drivers and the system raise is put into such a sentence here; a password never is.
"""

import asyncpg

ROLES = (
    "CREATE ROLE nonreturn_service LOGIN NOINHERIT; CREATE ROLE nonreturn_company NOLOGIN; "
    "GRANT nonreturn_company TO nonreturn_service; GRANT nonreturn_service TO <owner>;"
)
"""What a database's administrator runs where its owner may not create roles; README shows it, too."""
NOT_MIGRATED = (
    "The database is not migrated to this version: run `nonreturn migrate` as its owner (NONRETURN_ADMIN_DSN), "
    "then run this again."
)
_REFUSED = (asyncpg.InvalidPasswordError, asyncpg.InvalidAuthorizationSpecificationError)
_NOT_THERE_YET = (
    asyncpg.UndefinedTableError,
    asyncpg.UndefinedColumnError,
    asyncpg.UndefinedFunctionError,
    asyncpg.InvalidSchemaNameError,
    asyncpg.UndefinedObjectError,
)


class TroubleError(Exception):
    """The message is the whole sentence, as it is shown to whoever started the command."""


def connecting(error: Exception, setting: str) -> TroubleError:
    """Why there is no connection to the database that this setting names."""
    why = flat(error)
    if isinstance(error, _REFUSED):
        return TroubleError(f"The database refuses the login ({why}): correct the user or the password in {setting}.")
    if isinstance(error, asyncpg.InvalidCatalogNameError):
        return TroubleError(f"There is no such database ({why}): create it, or correct {setting}.")
    if isinstance(error, asyncpg.InvalidParameterValueError) and "nonreturn_service" in why:
        return TroubleError(NOT_MIGRATED)
    if isinstance(error, asyncpg.InsufficientPrivilegeError):
        return TroubleError(
            f"The user in {setting} may not work as the service ({why}): have the owner run GRANT nonreturn_service TO that user."
        )
    if isinstance(error, (ValueError, asyncpg.ClientConfigurationError)):
        return TroubleError(f"{setting} cannot be read ({why}): give an address such as postgresql://user@host/database.")
    return TroubleError(
        f"The database in {setting} cannot be reached ({why or 'it does not answer'}): start it, or correct {setting}."
    )


def working(error: asyncpg.PostgresError) -> TroubleError:
    """Why the database did not do what it was asked to do."""
    if isinstance(error, _NOT_THERE_YET):
        return TroubleError(NOT_MIGRATED)
    return TroubleError(f"The database refused: {flat(error)}.")


def migrating(error: BaseException) -> TroubleError:
    """Why a migration, which changes all or nothing, was stopped."""
    why = flat(error)
    if isinstance(error, asyncpg.InsufficientPrivilegeError) and "role" in why.lower():
        return TroubleError(
            f"This user may not create the roles nonreturn_service and nonreturn_company ({why}): have the database's administrator "
            f"run {ROLES} (<owner> is this user), then run `nonreturn migrate` again."
        )
    if isinstance(error, asyncpg.InsufficientPrivilegeError):
        return TroubleError(f"This user may not change the database ({why}): migrate as its owner (NONRETURN_ADMIN_DSN).")
    return TroubleError(f"The migration was stopped and changed nothing ({why}): run `nonreturn migrate` again.")


def flat(error: BaseException) -> str:
    """What an error says, in one line."""
    return " ".join(str(error).split()).rstrip(".")

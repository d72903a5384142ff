"""What an act at the bench may be refused for, each told in a sentence a technician can act on."""

from billing import repairs
from rentals.agreements import errors as agreement_errors
from rentals.counter.bench.operations import LoanerUnknownError, NobodyWaitsForItError
from rentals.inventory import operations as fleet
from rentals.inventory.operations.cleanings import CleanedSinceError
from rentals.runtime.locks import RowsBusyError

REFUSALS = (
    fleet.ApprovalNeededError,
    fleet.InstrumentHeldError,
    fleet.InstrumentNotThereError,
    fleet.InstrumentOnAgreementError,
    fleet.MoveBeforeLastMoveError,
    fleet.NotReadyError,
    fleet.PayerNotDecidedError,
    fleet.PlayingTestMissingError,
    fleet.RateMissingError,
    fleet.ReasonMissingError,
    fleet.StateNotPossibleError,
    fleet.WarrantyNotPossibleError,
    fleet.WorkOrderAlreadyOpenError,
    fleet.WorkOrderChangedError,
    fleet.WorkOrderClosedError,
    fleet.WorkOrderStillOpenError,
    CleanedSinceError,
    LoanerUnknownError,
    NobodyWaitsForItError,
    repairs.RepairChargedError,
    agreement_errors.AgreementEndedError,
    agreement_errors.InstrumentNotAvailableError,
    agreement_errors.InstrumentTakenError,
    agreement_errors.LoanerOutError,
    agreement_errors.NoLoanerOutError,
    RowsBusyError,
)

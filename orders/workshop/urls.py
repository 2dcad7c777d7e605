"""Addresses of the workshop's side. Every one but the sign-in is behind ``workshop_only``."""

from django.urls import path

from . import (
    views_books,
    views_dab,
    views_files,
    views_fill,
    views_job,
    views_kerf,
    views_machine,
    views_mail,
    views_messages,
    views_money,
    views_order,
    views_prices,
    views_propose,
    views_queue,
    views_sheet_files,
    views_sheet_new,
    views_sheets,
    views_shop,
    views_stock,
    views_today,
)

urlpatterns = [
    path("", views_today.today, name="workshop-today"),
    path("sign-in/", views_today.SignIn.as_view(), name="workshop-sign-in"),
    path("sign-out/", views_today.sign_out, name="workshop-sign-out"),
    path("queue/", views_queue.queue, name="workshop-queue"),
    path("queue/selected/", views_queue.queue_selected, name="workshop-queue-selected"),
    # orders and the post
    path("order/<str:code>/", views_order.order, name="workshop-order"),
    path("order/<str:code>/ship/", views_order.order_ship, name="workshop-order-ship"),
    path("order/<str:code>/slip.pdf", views_files.order_slip, name="workshop-order-slip"),
    path("order/<str:code>/talk/", views_messages.state, name="workshop-order-talk"),
    path("order/<str:code>/talk/write/", views_messages.write, name="workshop-order-write"),
    path(
        "order/<str:code>/talk/<int:message_id>/change/",
        views_messages.change,
        name="workshop-message-change",
    ),
    path(
        "order/<str:code>/talk/<int:message_id>/undo/",
        views_messages.undo,
        name="workshop-message-undo",
    ),
    path(
        "order/<str:code>/talk/<int:message_id>/picture.jpg",
        views_messages.photo,
        name="workshop-message-photo",
    ),
    path(
        "order/<str:code>/talk/<int:message_id>/drawing.png",
        views_messages.drawing,
        name="workshop-message-drawing",
    ),
    path("post/", views_order.post, name="workshop-post"),
    # one job
    path("job/<str:code>/", views_job.job, name="workshop-job"),
    path("job/<str:code>/step/<str:action>/", views_job.job_step, name="workshop-job-step"),
    path("job/<str:code>/override/", views_job.job_override, name="workshop-job-override"),
    path("job/<str:code>/photo/", views_job.job_photo_add, name="workshop-job-photo-add"),
    path(
        "job/<str:code>/photo/<int:photo_id>.jpg", views_files.job_photo, name="workshop-job-photo"
    ),
    path("job/<str:code>/propose/", views_propose.job_propose, name="workshop-job-propose"),
    path("job/<str:code>/cut.svg", views_files.job_cut_file, name="workshop-job-cut-file"),
    path("job/<str:code>/original", views_files.job_original, name="workshop-job-original"),
    path(
        "job/<str:code>/v<int:number>/film.png",
        views_files.job_picture,
        name="workshop-job-picture",
    ),
    path(
        "job/<str:code>/v<int:number>/drawing.jpg",
        views_files.job_drawing,
        name="workshop-job-drawing",
    ),
    path("job/<str:code>/v<int:number>/hold.png", views_files.job_hold, name="workshop-job-hold"),
    # sheets
    path("sheets/", views_sheets.sheets, name="workshop-sheets"),
    path("sheet/new/", views_sheet_new.sheet_new, name="workshop-sheet-new"),
    path("sheet/fill/", views_fill.sheet_fill, name="workshop-sheet-fill"),
    path("sheet/<str:code>/offcuts/", views_stock.sheet_offcuts, name="workshop-sheet-offcuts"),
    path("sheet/<str:code>/", views_sheets.sheet, name="workshop-sheet"),
    path("sheet/<str:code>/places/", views_sheets.sheet_arrange, name="workshop-sheet-arrange"),
    path("sheet/<str:code>/nest/", views_sheets.sheet_nest, name="workshop-sheet-nest"),
    path("sheet/<str:code>/add/", views_sheets.sheet_add, name="workshop-sheet-add"),
    path(
        "sheet/<str:code>/step/<str:action>/", views_sheets.sheet_step, name="workshop-sheet-step"
    ),
    path(
        "sheet/<str:code>/piece/<int:piece_id>/",
        views_sheets.sheet_piece,
        name="workshop-sheet-piece",
    ),
    path("sheet/<str:code>/all-good/", views_sheets.sheet_all_good, name="workshop-sheet-all-good"),
    path(
        "sheet/<str:code>/cut.svg", views_sheet_files.sheet_cut_file, name="workshop-sheet-cut-file"
    ),
    path(
        "sheet/<str:code>/placement.pdf",
        views_sheet_files.sheet_placement,
        name="workshop-sheet-placement",
    ),
    path("sheet/<str:code>/order/", views_sheet_files.sheet_order, name="workshop-sheet-order"),
    path(
        "sheet/<str:code>/order.svg",
        views_sheet_files.sheet_order_picture,
        name="workshop-sheet-order-picture",
    ),
    path("sheet/<str:code>/stopped/", views_machine.sheet_stopped, name="workshop-sheet-stopped"),
    path("sheet/<str:code>/took/", views_machine.sheet_took, name="workshop-sheet-took"),
    path("machine/", views_machine.machine, name="workshop-machine"),
    # mail and the workshop itself
    path("mail/", views_mail.mails, name="workshop-mail"),
    path("mail/<int:mail_id>/", views_mail.mail_text, name="workshop-mail-text"),
    path("mail/<int:mail_id>/again/", views_mail.mail_again, name="workshop-mail-again"),
    path("films/", views_shop.films, name="workshop-films"),
    path("film/new/", views_shop.film_new, name="workshop-film-new"),
    path("film/<str:code>/", views_shop.film, name="workshop-film"),
    path("film/<str:code>/dab/", views_dab.dab, name="workshop-dab"),
    path("film/<str:code>/dab/forget/", views_dab.dab_forget, name="workshop-dab-forget"),
    path("film/<str:code>/dab/sheet.svg", views_dab.dab_cut_file, name="workshop-dab-cut-file"),
    path("film/<str:code>/dab/form.pdf", views_dab.dab_form_print, name="workshop-dab-form"),
    path("film/<str:code>/kerf/", views_kerf.kerf, name="workshop-kerf"),
    path("film/<str:code>/kerf/apply/", views_kerf.kerf_apply, name="workshop-kerf-apply"),
    path("film/<str:code>/kerf/forget/", views_kerf.kerf_forget, name="workshop-kerf-forget"),
    path("film/<str:code>/kerf/piece", views_kerf.kerf_cut_file, name="workshop-kerf-cut-file"),
    path("film/<str:code>/kerf/form.pdf", views_kerf.kerf_form_print, name="workshop-kerf-form"),
    path("film/<str:code>/stock/", views_stock.film_stock, name="workshop-stock"),
    path(
        "film/<str:code>/stock/<str:what>/",
        views_stock.film_stock_change,
        name="workshop-stock-change",
    ),
    path("offcut/<int:number>/gone/", views_stock.offcut_gone, name="workshop-offcut-gone"),
    path("offcut/<int:number>/label.pdf", views_stock.offcut_label, name="workshop-offcut-label"),
    path("settings/", views_shop.settings, name="workshop-settings"),
    # money
    path("money/", views_money.money, name="workshop-money"),
    path("money/<str:code>/", views_money.order_money, name="workshop-order-money"),
    path("money/<str:code>/pay/", views_money.order_pay, name="workshop-order-pay"),
    path(
        "money/<str:code>/correct/<int:number>/",
        views_money.order_correct,
        name="workshop-order-correct",
    ),
    path("money/<str:code>/invoice/", views_money.order_invoice, name="workshop-order-invoice"),
    path("money/<str:code>/credit/", views_money.order_credit, name="workshop-order-credit"),
    path(
        "money/<str:code>/invoice-<int:number>.pdf",
        views_money.invoice_pdf,
        name="workshop-invoice-pdf",
    ),
    path(
        "money/<str:code>/receipt-<int:number>.pdf",
        views_money.receipt_pdf,
        name="workshop-receipt-pdf",
    ),
    path("books/", views_books.books, name="workshop-books"),
    path("books/invoices.csv", views_books.books_csv, name="workshop-books-csv"),
    path("books/payments.csv", views_books.payments_csv, name="workshop-payments-csv"),
    # prices
    path("prices/", views_prices.prices, name="workshop-prices"),
    path("prices/new/", views_prices.price_sheet_new, name="workshop-price-new"),
    path("prices/<int:sheet_id>/", views_prices.price_sheet, name="workshop-price-sheet"),
    path("prices/<int:sheet_id>/save/", views_prices.price_save, name="workshop-price-save"),
    path("prices/<int:sheet_id>/csv/", views_prices.price_csv_in, name="workshop-price-csv-in"),
    path("prices/<int:sheet_id>/sheet.csv", views_prices.price_csv, name="workshop-price-csv"),
    path(
        "prices/<int:sheet_id>/preview/", views_prices.price_preview, name="workshop-price-preview"
    ),
    path(
        "prices/<int:sheet_id>/publish/", views_prices.price_publish, name="workshop-price-publish"
    ),
    path("prices/<int:sheet_id>/remove/", views_prices.price_remove, name="workshop-price-remove"),
]
